package config

import (
	"crypto/rand"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"golang.org/x/sys/unix"

	"bayfill/bridge/names"
)

// CommandKey reads the key that signs commands. It is nil when commands need no
// signature. The error names the field.
func (c *Config) CommandKey() ([]byte, error) {
	key, err := c.Commands.Key.CommandKey()
	if err != nil {
		return nil, wrong("commands.key", "%w", err)
	}
	return key, nil
}

// Identities says how much of the names of technicians and vehicles is kept.
type Identities struct {
	Technician names.Keep `yaml:"technician"`
	Vehicle    names.Keep `yaml:"vehicle"`
	Key        Secret     `yaml:"key"` // of the tokens; empty: a file in the data folder
}

// Policy returns the same for package names.
func (c *Identities) Policy() names.Policy {
	return names.Policy{Technician: c.Technician, Vehicle: c.Vehicle}
}

func (c *Identities) check() error {
	for _, k := range []struct {
		field string
		keep  *names.Keep
	}{{"technician", &c.Technician}, {"vehicle", &c.Vehicle}} {
		switch *k.keep {
		case "":
			*k.keep = names.KeepFull
		case names.KeepFull, names.KeepShort, names.KeepHash:
		default:
			return wrong(k.field, "%q is not one of full, short, hash", *k.keep)
		}
	}
	return nil
}

// keyFile holds the key of the tokens when the configuration names no key.
const keyFile = "identity.key"

// keptKey reads the key of the tokens. It is nil before the first start has made it.
func (c *Config) keptKey() (key []byte, err error) {
	if c.Identities.Key != (Secret{}) {
		key, err = c.Identities.Key.key()
	} else if key, err = os.ReadFile(filepath.Join(c.Data, keyFile)); errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return nil, nil
	}
	if err != nil {
		return nil, wrong("identities.key", "%w", err)
	}
	if len(key) == 0 {
		return nil, nil // a power cut came before it was written, so no token depends on it
	}
	return key, nil
}

// KeyMissing reports whether the data folder holds journals but no key of their tokens.
func (c *Config) KeyMissing() bool {
	if key, err := c.keptKey(); key != nil || err != nil {
		return false
	}
	for i := range c.Carts {
		if _, err := os.Stat(c.JournalPath(c.Carts[i].Name)); err == nil {
			return true
		}
	}
	return false
}

// IdentityKey returns the key of the tokens and makes it at the first start. The error
// names the field.
func (c *Config) IdentityKey() ([]byte, error) {
	key, err := c.keptKey()
	if key != nil || err != nil {
		return key, err
	}
	key = []byte(rand.Text())
	if err = os.MkdirAll(c.Data, 0o750); err == nil {
		err = writeKey(filepath.Join(c.Data, keyFile), key)
	}
	if err != nil {
		return nil, wrong("identities.key", "%w", err)
	}
	return key, nil
}

// writeKey returns after fsync. If a power cut lost the key, the next start would make
// another one, and names would get other tokens.
func writeKey(path string, key []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC|unix.O_NOFOLLOW, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(key)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// Token returns the token that events hold for the name of a technician or a vehicle.
func (c *Config) Token(vehicle bool, name string) (string, error) {
	key, err := c.IdentityKey()
	if err != nil {
		return "", err
	}
	if vehicle {
		return names.Token(key, names.VehicleToken, name), nil
	}
	return names.Token(key, names.TechnicianToken, name), nil
}
