package journal

import (
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// A journal that is put back from a copy looks like any other. The witness is a small
// file beside the journals that remembers how far each had got, so that the next start
// notices a copy that is older. It is a help, not a record: it may lag behind by a minute
// of readings, a failure to write it fails nothing, and without it nothing is compared.

// witnessEvery is how often readings alone renew the witness, on the cart's clock. Commands
// renew it at once.
const witnessEvery = time.Minute

// maxDone is how many commands the witness remembers.
const maxDone = 200

// Witness is how far a journal had got.
type Witness struct {
	Seq      uint64            `json:"seq"`                // of the newest event
	AtNs     int64             `json:"at_ns"`              // its time
	Counters map[string]uint64 `json:"counters,omitempty"` // the last of each key
	Done     []string          `json:"done,omitempty"`     // ids of the newest commands, the oldest first
}

// keeper keeps the witness of an open journal.
type keeper struct {
	mu   sync.Mutex
	path string
	now  Witness
	kept int64 // AtNs when it was last written
}

func witnessPath(path string) string {
	return filepath.Join(filepath.Dir(path), "witness", filepath.Base(path)+".json")
}

// newKeeper reads the witness of a journal. A damaged one counts as none.
func newKeeper(path string) *keeper {
	k := &keeper{path: witnessPath(path)}
	if text, err := os.ReadFile(k.path); err != nil || json.Unmarshal(text, &k.now) != nil {
		k.now = Witness{}
	}
	return k
}

// WitnessOf returns what the witness of a journal's file knows; of none, nothing.
func WitnessOf(path string) Witness { return newKeeper(path).now }

// Witness returns how far the journal had got as far as its witness knows.
func (j *Journal) Witness() Witness {
	j.witness.mu.Lock()
	defer j.witness.mu.Unlock()
	w := j.witness.now
	w.Counters, w.Done = maps.Clone(w.Counters), slices.Clone(w.Done)
	return w
}

// saw remembers a batch that is on disk.
func (k *keeper) saw(b *Batch) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if n := len(b.Events); n > 0 && b.Events[n-1].Seq > k.now.Seq {
		k.now.Seq, k.now.AtNs = b.Events[n-1].Seq, b.Events[n-1].AtNs
	}
	for _, a := range b.Answers {
		k.now.Done = append(k.now.Done, a.ID)
	}
	if n := len(k.now.Done); n > maxDone {
		k.now.Done = slices.Clone(k.now.Done[n-maxDone:])
	}
	if len(b.Answers) > 0 || k.now.AtNs-k.kept >= int64(witnessEvery) {
		k.write()
	}
}

// counted remembers the counter of a key.
func (k *keeper) counted(key string, n uint64) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.now.Counters == nil {
		k.now.Counters = map[string]uint64{}
	}
	k.now.Counters[key] = max(k.now.Counters[key], n)
	k.write()
}

// close writes the last state.
func (k *keeper) close() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.now.AtNs != k.kept {
		k.write()
	}
}

// write replaces the file. It is not forced to the disk: after a power cut an older
// witness says less, but nothing wrong.
func (k *keeper) write() {
	text, err := json.Marshal(k.now)
	if err != nil {
		return
	}
	next := k.path + ".new"
	if os.MkdirAll(filepath.Dir(k.path), 0o750) != nil {
		return
	}
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_TRUNC|unix.O_NOFOLLOW, 0o600)
	if err != nil {
		return
	}
	_, err = f.Write(text)
	if errors.Join(err, f.Close()) == nil && os.Rename(next, k.path) == nil {
		k.kept = k.now.AtNs
	}
}
