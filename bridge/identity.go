package bridge

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"unicode/utf8"

	"bayfill/fillcalc"
)

// Events never hold who did something, or whose vehicle it was, but a token for
// it. The names lie beside the events, outside the chain, and only as far as the
// shop wants them kept: so they can be erased, and the proof stands.

// IdentityConfig says how much of the names of technicians and vehicles is kept.
type IdentityConfig struct {
	Technician Keep   `yaml:"technician"`
	Vehicle    Keep   `yaml:"vehicle"`
	Key        Secret `yaml:"key"` // of the tokens; without one, a file in the data folder
}

// Keep is how much of a name is kept on disk and in the history.
type Keep string

const (
	KeepFull  Keep = "full"
	KeepShort Keep = "short" // the first letter of each word
	KeepHash  Keep = "hash"  // nothing but the token
)

func (c *IdentityConfig) check() error {
	for _, k := range []struct {
		field string
		keep  *Keep
	}{{"technician", &c.Technician}, {"vehicle", &c.Vehicle}} {
		switch *k.keep {
		case "":
			*k.keep = KeepFull
		case KeepFull, KeepShort, KeepHash:
		default:
			return fmt.Errorf("%s: %q is not one of full, short, hash", k.field, *k.keep)
		}
	}
	return nil
}

func (k Keep) of(name string) string {
	switch k {
	case KeepFull:
		return name
	case KeepShort:
		var initials []string
		for _, word := range strings.Fields(name) {
			_, n := utf8.DecodeRuneInString(word)
			initials = append(initials, word[:n]+".")
		}
		return strings.Join(initials, " ")
	}
	return ""
}

// keyFile holds the key of the tokens when the configuration names none.
const keyFile = "identity.key"

// keptKey reads the key of the tokens; none where the first start will make it.
func (c *Config) keptKey() (key []byte, err error) {
	if c.Identities.Key != (Secret{}) {
		key, err = c.Identities.Key.key()
	} else if key, err = os.ReadFile(filepath.Join(c.Data, keyFile)); errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("identities.key: %w", err)
	}
	if len(key) == 0 {
		return nil, nil // the power went before it was written: nothing hangs on it yet
	}
	return key, nil
}

// KeyGone tells whether the data folder holds journals, but not the key of their
// tokens.
func (c *Config) KeyGone() bool {
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

// identityKey is the key of the tokens, made at the first start.
func (c *Config) identityKey() ([]byte, error) {
	key, err := c.keptKey()
	if key != nil || err != nil {
		return key, err
	}
	key = []byte(rand.Text())
	if err = os.MkdirAll(c.Data, 0o750); err == nil {
		err = writeKey(filepath.Join(c.Data, keyFile), key)
	}
	if err != nil {
		return nil, fmt.Errorf("identities.key: %w", err)
	}
	return key, nil
}

// writeKey returns when a power cut can take the key no more: with another one
// nobody would know the names again.
func writeKey(path string, key []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(key)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// Name is what a token stands for.
type Name struct{ Token, Text string }

// Names are texts by their tokens.
type Names map[string]string

// token is the same for the same name, and tells nobody who has not the key.
func token(key []byte, of, name string) string {
	if name == "" {
		return ""
	}
	h := hmac.New(sha256.New, key)
	h.Write([]byte(of + "\x00" + name))
	return of + "-" + hex.EncodeToString(h.Sum(nil)[:8])
}

// Tokens of the two kinds begin with these.
const (
	technicianToken = "t"
	vehicleToken    = "v"
)

// identities turns names into tokens, and remembers them for as long as the
// program runs.
type identities struct {
	key     []byte
	keep    IdentityConfig
	current Names
}

// hide puts tokens in the place of an input's names, and returns what is to be
// kept of them.
func (n *identities) hide(in *fillcalc.Input) (kept []Name) {
	hide := func(name *string, of string, keep Keep) {
		if *name == "" {
			return
		}
		t := token(n.key, of, *name)
		n.current[t] = *name
		if text := keep.of(*name); text != "" {
			kept = append(kept, Name{t, text})
		}
		*name = t
	}
	hide(&in.By, technicianToken, n.keep.Technician)
	if in.Job != nil {
		hide(&in.Job.Vehicle, vehicleToken, n.keep.Vehicle)
		hide(&in.Job.OtherFluidBy, technicianToken, n.keep.Technician)
	}
	return kept
}

// Named is a state with names in the place of their tokens, for people to read.
func (n Names) Named(s fillcalc.State) fillcalc.State {
	show := func(name *string) {
		if text, known := n[*name]; known {
			*name = text
		}
	}
	j := &s.Job
	show(&j.Spec.Vehicle)
	show(&j.Spec.OtherFluidBy)
	j.Steps, j.Entries, j.Records, j.Phases = slices.Clone(j.Steps), slices.Clone(j.Entries), slices.Clone(j.Records), slices.Clone(j.Phases)
	for i := range j.Steps {
		show(&j.Steps[i].By)
	}
	for i := range j.Entries {
		show(&j.Entries[i].By)
	}
	for i := range j.Records {
		show(&j.Records[i].By)
	}
	for i := range j.Phases {
		show(&j.Phases[i].By)
	}
	return s
}

// Names of a history's points: an input's point holds them beside its body, which
// is all that the chain covers.
const (
	byField      = "by"
	vehicleField = "vehicle"
)

// of is what a point is to hold of the names in an input.
func (n Names) of(in *fillcalc.Input) (f Fields) {
	f = Fields{}
	if text := n[in.By]; text != "" {
		f[byField] = text
	}
	if in.Job != nil && n[in.Job.Vehicle] != "" {
		f[vehicleField] = n[in.Job.Vehicle]
	}
	return f
}

// Learn takes up the names in an input's point.
func (n Names) Learn(p *Point, in *fillcalc.Input) {
	if text, ok := p.Fields[byField].(string); ok && in.By != "" {
		n[in.By] = text
	}
	if text, ok := p.Fields[vehicleField].(string); ok && in.Job != nil {
		n[in.Job.Vehicle] = text
	}
}

// Token is what stands in the events for a technician or a vehicle of this name.
func (c *Config) Token(vehicle bool, name string) (string, error) {
	key, err := c.identityKey()
	if err != nil {
		return "", err
	}
	if vehicle {
		return token(key, vehicleToken, name), nil
	}
	return token(key, technicianToken, name), nil
}

// EraseName removes from a journal what a token stands for, also from the lines
// that the history refused; the program may be running, which remembers it until
// it is started again. It tells whether there was anything.
func EraseName(ctx context.Context, journal, token string) (erased bool, err error) {
	if _, err := os.Stat(journal); err != nil {
		return false, fmt.Errorf("journal: %w", err)
	}
	// What is deleted is overwritten in the file, and the log of changes emptied.
	j, err := openDatabase(journal, url.Values{"mode": {"rw"}, "_pragma": {"busy_timeout(10000)", "secure_delete(ON)"}}, journalSchema)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	result, err := j.db.ExecContext(ctx, "DELETE FROM name WHERE token = ?", token)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	lines, err := j.eraseAside(ctx, token)
	if err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	if _, err := j.db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return false, fmt.Errorf("journal %s: %w", journal, err)
	}
	n, err := result.RowsAffected()
	return n > 0 || lines > 0, err
}
