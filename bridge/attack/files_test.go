package attack

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/sensors"
)

var onFiles = []attack{
	{does: "another user of the computer reads the data folder, which is open to everybody",
		holds: "its files are for the program's user and group only", try: fileModes},
	{does: "links in the data folder lead to other files",
		holds: "they are refused, and what they lead to stays as it is", try: links},
	{does: "a configuration or service data whose aliases stand for billions of values",
		holds: "it is refused in milliseconds, with the line", try: aliases},
	{does: "a secret is written into the configuration by mistake",
		holds: "no error and no log shows it", by: "cmd/bayfill.TestNoSecretIsShown"},
	{does: "a pattern of the configuration makes the search go back and forth, or grows without end",
		holds: "Go's regexp does not go back: its time grows with the length of a line, 200 bytes at most; its size is limited", try: patterns},
}

func fileModes(t *testing.T) {
	before := unix.Umask(0)
	defer unix.Umask(before)
	c := journaltest.BareConfig(t, t.TempDir(), bridgetest.EmbeddedUsers)
	if err := os.Chmod(c.Data, 0o777); err != nil {
		t.Fatal(err)
	}
	// As an earlier version, or a copy, may have left it.
	if err := os.WriteFile(c.JournalPath("cart"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	run(t, c, func(s *bridgetest.Subscriber) {
		s.Must(bridgetest.OpenJob)
		if err := config.AppendCalibration(filepath.Join(c.Data, "cart.caddy.calibration.jsonl"), config.Calibration{}); err != nil {
			t.Fatal(err)
		}
		files := 0
		err := filepath.WalkDir(c.Data, func(path string, d fs.DirEntry, err error) error {
			info, infoErr := d.Info()
			if err != nil || infoErr != nil || path == c.Data {
				return err
			}
			files++
			if mode := info.Mode().Perm(); mode&0o007 != 0 || !d.IsDir() && mode&0o117 != 0 {
				t.Errorf("%s has mode %o", path, mode)
			}
			return nil
		})
		if err != nil || files < 6 {
			t.Errorf("%d files, %v", files, err)
		}
	})
}

func links(t *testing.T) {
	for _, name := range []string{"cart.journal", "cart.journal.lock", "cart.journal-wal"} {
		data := t.TempDir()
		target := filepath.Join(t.TempDir(), "target")
		if err := os.WriteFile(target, []byte("precious"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(target, filepath.Join(data, name)); err != nil {
			t.Fatal(err)
		}
		j, err := journal.Open(filepath.Join(data, "cart.journal"))
		if err == nil {
			j.Close()
			t.Errorf("%s: a link is accepted", name)
		}
		if text := bridgetest.ReadFile(t, target); string(text) != "precious" {
			t.Errorf("%s: what the link leads to is now %q", name, text)
		}
	}
}

func aliases(t *testing.T) {
	var many strings.Builder
	many.WriteString("l0: &l0 [x, x, x, x, x, x, x, x, x, x]\n")
	for n := range 9 {
		fmt.Fprintf(&many, "l%d: &l%d [%s]\n", n+1, n+1, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*l%d, ", n), 10), ", "))
	}
	began := time.Now()
	_, err := config.Parse([]byte(many.String() + strings.Replace(bridgetest.SmallConfig, "shop: ", "shop: *l9 #", 1)))
	if took := time.Since(began); err == nil || !strings.Contains(err.Error(), "aliases") || !strings.Contains(err.Error(), "line ") || took > time.Second {
		t.Errorf("after %v: %v", took, err)
	}
	// A few are useful.
	shared := strings.Replace(bridgetest.SmallConfig, "capacity_kg: 30", "capacity_kg: &c 30", 1) + "      - {name: supply, role: supply, port: /dev/ttyY, protocol: sma, capacity_kg: *c, resolution_kg: 0.005}\n"
	if _, err := config.Parse([]byte(shared)); err != nil {
		t.Errorf("one alias: %v", err)
	}
}

func patterns(t *testing.T) {
	began := time.Now()
	// (a+)+b is the textbook case: a search that goes back takes 2^190 steps.
	p, err := sensors.New("line", sensors.Options{Pattern: `(?P<value>\d+)(a+)+b`, Quantity: sensors.Weight, CapacityKg: 30})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Parse([]byte("1" + strings.Repeat("a", 190))); err == nil {
		t.Error("the line matches")
	}
	withPattern := func(pattern string) error {
		_, err := config.Parse([]byte(strings.Replace(bridgetest.SmallConfig, "protocol: sma", "protocol: line\n        pattern: '"+pattern+"'", 1)))
		return err
	}
	if err := withPattern(`(?P<value>\d+)(a+)+b`); err != nil {
		t.Error(err)
	}
	if err := withPattern(`(?P<value>((\d{1000}){1000}){1000})`); err == nil || !strings.Contains(err.Error(), "pattern") {
		t.Errorf("a pattern of a billion digits: %v", err)
	}
	if took := time.Since(began); took > time.Second {
		t.Errorf("it took %v", took)
	}
}
