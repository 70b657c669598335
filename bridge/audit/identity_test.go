package audit_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/fillcalc"
	"bayfill/sim/study"
)

// As much of a name is kept as the shop has said, on disk and in the history; it
// is erased on demand, and the audit finds the job the same and complete
// throughout.
func TestNamesAreKeptAsConfigured(t *testing.T) {
	server := bridgetest.StartInflux(t)
	events := study.Events(audittest.ShortJobs(t), 7, 1)
	for _, c := range []struct {
		keep              names.Keep
		vehicle, operator string // as kept
	}{
		{names.KeepFull, "Grey Van 7", "Kim Example"},
		{names.KeepShort, "G. V. 7.", "K. E."},
		{names.KeepHash, "", ""},
	} {
		t.Run(string(c.keep), func(t *testing.T) {
			config := audittest.HistoryConfig(t, server.URL, "cart-"+string(c.keep))
			config.Identities.Technician, config.Identities.Vehicle = c.keep, c.keep
			cart, job := config.Carts[0].Name, "job-"+string(c.keep)
			named := make([]fillcalc.Event, len(events))
			for i, e := range events {
				if e.Input != nil {
					in := *e.Input
					in.By = "Kim Example"
					e.Input = &in
				}
				named[i] = e
			}
			journaltest.KeepJobs(t, config, []string{job}, named)
			audittest.Forward(t, config, cart)
			store, err := audit.OpenStore(config.History)
			if err != nil {
				t.Fatal(err)
			}
			defer store.Close()
			look := func(when, vehicle, operator string) {
				t.Helper()
				r, err := store.Record(t.Context(), job, 0)
				if err != nil {
					t.Fatal(err)
				}
				report := audit.Check(r)
				if !report.SameAndComplete() {
					t.Errorf("%s: %+v", when, report.Findings)
				}
				for name, want := range map[string]string{"Grey Van 7": vehicle, "Kim Example": operator} {
					token, err := config.Token(name == "Grey Van 7", name)
					if err != nil || r.Names[token] != want {
						t.Errorf("%s: %s stands for %q, want %q (%v)", when, token, r.Names[token], want, err)
					}
				}
				var text bytes.Buffer
				if err := r.Write(&text, audit.LineProtocol); err != nil {
					t.Fatal(err)
				}

				for _, name := range []string{"Grey Van 7", "Kim Example"} {
					if bytes.Contains(text.Bytes(), []byte(name)) != (c.keep == names.KeepFull && when == "kept") {
						t.Errorf("%s: %q in the history", when, name)
					}
				}
			}
			look("kept", c.vehicle, c.operator)
			inFiles := func(name string) (files []string) {
				all, err := filepath.Glob(filepath.Join(config.Data, "*.*"))
				witness, witnessErr := filepath.Glob(filepath.Join(config.Data, "witness", "*"))
				if err != nil || witnessErr != nil {
					t.Fatal(err, witnessErr)
				}
				for _, path := range append(all, witness...) {
					text, err := os.ReadFile(path)
					if err != nil {
						t.Fatal(err)
					}
					if bytes.Contains(text, []byte(name)) {
						files = append(files, filepath.Base(path))
					}
				}
				return files
			}
			if files := inFiles("Kim Example"); (len(files) > 0) != (c.keep == names.KeepFull) {
				t.Errorf("the name is in %v", files)
			}
			for _, vehicle := range []bool{true, false} {
				name, kept := "Kim Example", c.operator
				if vehicle {
					name, kept = "Grey Van 7", c.vehicle
				}
				token, err := config.Token(vehicle, name)
				if err != nil {
					t.Fatal(err)
				}
				if erased, err := journal.EraseName(t.Context(), config.JournalPath(cart), token); err != nil || erased != (kept != "") {
					t.Errorf("erased from the journal: %v, %v", erased, err)
				}
				if points, err := store.Erase(t.Context(), token); err != nil || (points > 0) != (kept != "") {
					t.Errorf("erased from %d points of the history, %v", points, err)
				}
				if kept != "" && len(inFiles(kept)) > 0 {
					t.Errorf("%q is still in %v", kept, inFiles(kept))
				}
			}
			gone := journal.Erased
			if c.keep == names.KeepHash {
				gone = ""
			}
			look("erased", gone, gone)
			r, err := audit.FromJournal(t.Context(), config.JournalPath(cart), "test", cart, job, 0)
			if err != nil {
				t.Fatal(err)
			}
			if report := audit.Check(r); !report.SameAndComplete() || len(r.Names) != 0 {
				t.Errorf("the journal: %v, %+v", r.Names, report.Findings)
			}
		})
	}
	// One key gives one token, another one another.
	a, b := audittest.HistoryConfig(t, server.URL, "a"), audittest.HistoryConfig(t, server.URL, "a")
	one, err1 := a.Token(false, "Kim Example")
	again, err2 := a.Token(false, "Kim Example")
	other, err3 := b.Token(false, "Kim Example")
	if one != again || one == other || err1 != nil || err2 != nil || err3 != nil {
		t.Error(fmt.Sprint(one, again, other, err1, err2, err3))
	}
}
