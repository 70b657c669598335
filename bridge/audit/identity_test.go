package audit_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"bayfill/bridge/audit"
	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/config"
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
				report := audit.Check(r, audittest.Trust(t, config))
				if !report.SameAndComplete() {
					t.Errorf("%s: %+v", when, report.Findings)
				}
				for name, want := range map[string]string{"Grey Van 7": vehicle, "Kim Example": operator} {
					proof := proofOf(t, config, report, name)
					state := names.Proven
					switch {
					case c.keep == names.KeepHash:
						state = names.NotKept
					case when == "erased":
						state = names.Gone
					}
					if proof.Text != want || proof.State != state {
						t.Errorf("%s: %+v, want %q, %s", when, proof, want, state)
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
				tokens, err := config.Tokens(vehicle, name)
				if err != nil {
					t.Fatal(err)
				}
				inJournal, points := false, 0
				for _, token := range tokens {
					erased, err := journal.EraseName(t.Context(), config.JournalPath(cart), token)
					n, err2 := store.Erase(t.Context(), token)
					if inJournal, points = inJournal || erased, points+n; err != nil || err2 != nil {
						t.Error(err, err2)
					}
				}
				if inJournal != (kept != "") || (points > 0) != (kept != "") {
					t.Errorf("erased from the journal: %v; from %d points of the history", inJournal, points)
				}
				if kept != "" && len(inFiles(kept)) > 0 {
					t.Errorf("%q is still in %v", kept, inFiles(kept))
				}
			}
			look("erased", "", "")
			r, err := audit.FromJournal(t.Context(), config.JournalPath(cart), "test", cart, job, 0)
			if err != nil {
				t.Fatal(err)
			}
			if report := audit.Check(r, audittest.Trust(t, config)); !report.SameAndComplete() || proofOf(t, config, report, "Grey Van 7").Text != "" {
				t.Errorf("the journal: %+v", report)
			}
		})
	}
	// One key gives one token, another one another.
	a, b := audittest.HistoryConfig(t, server.URL, "a"), audittest.HistoryConfig(t, server.URL, "a")
	one, err1 := a.Tokens(false, "Kim Example")
	again, err2 := a.Tokens(false, "Kim Example")
	other, err3 := b.Tokens(false, "Kim Example")
	if !slices.Equal(one, again) || slices.Equal(one, other) || err1 != nil || err2 != nil || err3 != nil {
		t.Error(fmt.Sprint(one, again, other, err1, err2, err3))
	}
}

// proofOf returns what a report says of a name.
func proofOf(t *testing.T, c *config.Config, report *audit.Report, name string) audit.NameProof {
	t.Helper()
	tokens, err := c.Tokens(name == "Grey Van 7", name)
	if err != nil {
		t.Fatal(err)
	}
	for _, proof := range report.Names {
		if slices.Contains(tokens, proof.Token) {
			return proof
		}
	}
	t.Fatalf("%s is not among %+v", name, report.Names)
	return audit.NameProof{}
}
