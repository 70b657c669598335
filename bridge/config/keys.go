package config

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"golang.org/x/sys/unix"

	"bayfill/bridge/names"
	"bayfill/bridge/recordkey"
	"bayfill/bridge/words"
)

// CommandKey reads the key that signs commands. It is nil when commands need no
// signature. The error names the field.
func (c *Config) CommandKey() ([]byte, error) {
	key, err := c.Commands.Key.CommandKey()
	if err != nil {
		return nil, wrong("commands.key", "config.because", "why", err)
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
	return errors.Join(
		oneOf("technician", c.Technician, names.KeepFull, names.KeepShort, names.KeepHash),
		oneOf("vehicle", c.Vehicle, names.KeepFull, names.KeepShort, names.KeepHash),
	)
}

// keyFile holds the key of the tokens when the configuration names no key.
const keyFile = "identity.key"

// NameKey reads the key of the tokens. It is nil before the first start has made it.
func (c *Config) NameKey() (key []byte, err error) {
	if c.Identities.Key != (Secret{}) {
		key, err = c.Identities.Key.key()
	} else if key, err = os.ReadFile(filepath.Join(c.Data, keyFile)); absent(err) {
		return nil, nil
	}
	if err != nil {
		return nil, wrong("identities.key", "config.because", "why", err)
	}
	if len(key) == 0 {
		return nil, nil // a power cut came before it was written, so no token depends on it
	}
	return key, nil
}

// KeyMissing reports whether the data folder holds journals but no key of their tokens.
func (c *Config) KeyMissing() bool {
	if key, err := c.NameKey(); key != nil || err != nil {
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
	key, err := c.NameKey()
	if key != nil || err != nil {
		return key, err
	}
	key = []byte(rand.Text())
	if err = os.MkdirAll(c.Data, 0o750); err == nil {
		err = writeKey(filepath.Join(c.Data, keyFile), key)
	}
	if err != nil {
		return nil, wrong("identities.key", "config.because", "why", err)
	}
	return key, nil
}

// recordKeyFile holds the key that signs closing records.
const recordKeyFile = "record.key"

// RecordKey returns the key that signs closing records and makes it at the first start. The
// file is PEM with PKCS #8, as other tools read it.
func (c *Config) RecordKey() (ed25519.PrivateKey, error) {
	key, err := c.keptRecordKey()
	if key != nil || err != nil {
		return key, err
	}
	if _, key, err = ed25519.GenerateKey(nil); err != nil {
		return nil, err
	}
	text, err := x509.MarshalPKCS8PrivateKey(key)
	if err == nil {
		err = os.MkdirAll(c.Data, 0o750)
	}
	if err == nil {
		err = writeKey(c.recordKeyPath(), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: text}))
	}
	if err != nil {
		return nil, words.NewError("config.record_key", "why", err)
	}
	return key, nil
}

func (c *Config) recordKeyPath() string { return filepath.Join(c.Data, recordKeyFile) }

// keptRecordKey reads the key. It is nil before the first start has made it.
func (c *Config) keptRecordKey() (ed25519.PrivateKey, error) {
	text, err := os.ReadFile(c.recordKeyPath())
	if absent(err) || err == nil && len(text) == 0 {
		return nil, nil // or a power cut came before it was written, so that no record depends on it
	}
	if err != nil {
		return nil, words.NewError("config.record_key", "why", err)
	}
	if block, _ := pem.Decode(text); block != nil {
		any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
		if key, is := any.(ed25519.PrivateKey); is && err == nil {
			return key, nil
		}
	}
	return nil, words.NewError("config.record_key_bad", "path", c.recordKeyPath())
}

// absent reports whether an error says that a file is not there.
func absent(err error) bool { return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) }

// TrustedKeys lists the public keys whose signature an audit trusts: this installation's own,
// and those that the configuration names.
func (c *Config) TrustedKeys() ([]string, error) {
	keys := slices.Clone(c.Records.Keys)
	own, err := c.keptRecordKey()
	if own != nil {
		keys = append(keys, recordkey.Public(own))
	}
	return keys, err
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

// Tokens returns the tokens that events may hold for the name of a technician or a vehicle.
func (c *Config) Tokens(vehicle bool, name string) ([]string, error) {
	key, err := c.IdentityKey()
	if err != nil {
		return nil, err
	}
	if vehicle {
		return names.Tokens(key, names.VehicleToken, name), nil
	}
	return names.Tokens(key, names.TechnicianToken, name), nil
}
