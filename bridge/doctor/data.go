package doctor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
)

// held says whether a running bridge has a cart.
type held int

const (
	free held = iota
	taken
	unknown // the lock cannot be read
)

// running finds out, for each cart, whether a bridge runs it.
func (d *doctor) running(c *config.Config) map[string]held {
	running := map[string]held{}
	for i := range c.Carts {
		name := c.Carts[i].Name
		process, is, err := journal.Holder(c.JournalPath(name))
		switch {
		case err != nil:
			running[name] = unknown
			d.look("running: cannot tell whether a bridge runs cart %s: %v", name, err)
		case is:
			running[name] = taken
			d.ok("running: process %s runs cart %s", process, name)
		default:
			d.ok("running: no bridge runs cart %s now", name)
		}
	}
	return running
}

// data checks the data folder and the disk. readable says whether the files in the
// folder can be checked too.
func (d *doctor) data(c *config.Config) (readable bool) {
	folder, ok := d.folder(c.Data)
	if ok {
		d.disk(c, folder)
	}
	return ok
}

// folder checks whether the data folder can be written to, and returns it, or the
// existing folder in which the bridge will make it.
func (d *doctor) folder(data string) (folder string, ok bool) {
	probe, err := os.CreateTemp(data, ".doctor-*")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return d.parent(data)
	case errors.Is(err, fs.ErrPermission):
		d.wrong("data folder: %s may not write in %s: as root, chown -R %s %s", userName(), data, userName(), data)
		return "", false
	case err != nil:
		d.wrong("data folder: %v: nothing can be kept, free disk space or replace the card", err)
		return "", false
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		d.wrong("data folder: %v", err)
		return "", false
	}
	d.ok("data folder: %s may write in %s", userName(), data)
	return data, true
}

// parent checks whether a data folder that is missing can be made, and returns the
// nearest folder above it that exists.
func (d *doctor) parent(data string) (folder string, ok bool) {
	folder, err := data, fs.ErrNotExist
	for errors.Is(err, fs.ErrNotExist) && folder != filepath.Dir(folder) {
		folder = filepath.Dir(folder)
		_, err = os.Stat(folder)
	}
	if unix.Access(folder, unix.W_OK) != nil {
		d.wrong("data folder: %s is missing, and %s may not make it: as root, install -d -o %s -m 750 %s", data, userName(), userName(), data)
		return "", false
	}
	d.ok("data folder: %s is not there yet, the bridge makes it", data)
	return folder, true
}

// eventBytes is the size of an event in a journal, with what is published in the
// meantime: measured 42 at rest and 160 while fluid runs, which is seldom.
const eventBytes = 60

func (d *doctor) disk(c *config.Config, folder string) {
	var disk unix.Statfs_t
	if err := unix.Statfs(folder, &disk); err != nil {
		d.look("disk: its free space is not known: %v", err)
		return
	}
	perSecond := 0.0
	for i := range c.Carts {
		for _, s := range c.Carts[i].Sensors {
			// Instruments that send by themselves send at about this rate too.
			perSecond += 1000 / float64(s.PollMs)
		}
	}
	d.space(float64(disk.Bavail)*float64(disk.Bsize), perSecond*eventBytes*24*3600, *c.Journal.MaxMB*1e6*float64(len(c.Carts)))
}

// space judges the free space of a disk: free in bytes, perDay what readings take in a
// day, and maxJournals what all journals together may take.
func (d *doctor) space(free, perDay, maxJournals float64) {
	const gb = 1e9
	text := fmt.Sprintf("disk: %.1f GB free; a month of readings takes about %.1f GB, of which a week is kept; only while the history is away more is kept, up to %.1f GB (journal.max_mb)",
		free/gb, 30*perDay/gb, maxJournals/gb)
	switch days := free / perDay; {
	case maxJournals < free && days >= 7:
		d.ok("%s", text)
	case days < 1:
		d.wrong("%s: the disk is full within %.0f hours then, free space or take a larger card", text, 24*days)
	case days < 30:
		d.look("%s: the disk is full within %.0f days then", text, days)
	default:
		d.ok("%s", text)
	}
}

// journal checks whether the journal of a cart can be read and replayed.
func (d *doctor) journal(ctx context.Context, c *config.Config, cart string) {
	path := c.JournalPath(cart)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		d.ok("journal of %s: none yet", cart)
		return
	}
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		d.wrong("journal of %s: %v", cart, err)
		return
	}
	defer j.Close()
	state, lost, err := j.Replay(ctx)
	if err != nil {
		d.wrong("journal of %s: %v", cart, err)
		return
	}
	if lost.Key != "" {
		d.wrong("journal of %s: %s", cart, words.Plain.Say(lost))
	}
	newest := time.Unix(0, state.NowNs)
	text := fmt.Sprintf("journal of %s: event %d of %s is the newest", cart, state.Seq, newest.UTC().Format("2006-01-02 15:04 UTC"))
	if ahead := newest.Sub(d.now); ahead > time.Minute {
		d.look("%s, %s ahead of this computer's clock: the clock is slow now, or was fast then; a cart's times never go back", text, ahead.Round(time.Minute))
		return
	}
	d.ok("%s", text)
}
