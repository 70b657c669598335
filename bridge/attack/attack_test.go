package attack

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// attack is one row: what somebody does, what holds, and how it is tried.
type attack struct {
	does, holds string
	try         func(t *testing.T)
	by          string // instead of try: the test that tries it, as package.Test
}

// size is how large an attack is: short in CI, full when long tests are asked for.
func size(short, full int) int {
	if os.Getenv("BAYFILL_LONG_TESTS") != "" {
		return full
	}
	return short
}

func TestMain(m *testing.M) {
	os.Setenv("BAYFILL_TEST_PASSWORD", "secret") // not in a test, since some run in parallel
	os.Exit(m.Run())
}

func TestAttacks(t *testing.T) {
	targets := []struct {
		name string
		rows []attack
	}{
		{"broker", onBroker}, {"board", onBoard}, {"history", onHistory}, {"journal", onJournal}, {"commands", onCommands}, {"files", onFiles}, {"records", onRecords}, {"TLS", onTLS},
	}
	for _, target := range targets {
		t.Run(target.name, func(t *testing.T) {
			if target.name != "broker" { // its rows measure memory
				t.Parallel()
			}
			for _, a := range target.rows {
				t.Run(a.does, func(t *testing.T) {
					switch {
					case a.holds == "" || (a.try == nil) == (a.by == ""):
						t.Error("the row does not say what holds, or not how it is tried")
					case a.try != nil:
						a.try(t)
					default:
						exists(t, a.by)
					}
				})
			}
		})
	}
}

// exists fails the test unless a test of this name exists, as in bridge/broker.TestX.
func exists(t *testing.T, name string) {
	t.Helper()
	at := strings.LastIndexByte(name, '.')
	folder, test := name[:at], name[at+1:]
	files, err := filepath.Glob(filepath.Join(filepath.Dir(bridgetest.Testdata(t)), folder, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if strings.Contains(string(bridgetest.ReadFile(t, file)), "\nfunc "+test+"(") {
			return
		}
	}
	t.Errorf("%s does not exist", name)
}
