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
			d.look("doctor.running_unknown", "cart", name, "why", err)
		case is:
			running[name] = taken
			d.ok("doctor.running_yes", "process", process, "cart", name)
		default:
			d.ok("doctor.running_no", "cart", name)
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
		d.wrong("doctor.data_denied", "user", userName(), "path", data)
		return "", false
	case err != nil:
		d.wrong("doctor.data_full", "why", err)
		return "", false
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		d.wrong("doctor.data_bad", "why", err)
		return "", false
	}
	d.ok("doctor.data_good", "user", userName(), "path", data)
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
		d.wrong("doctor.data_missing", "user", userName(), "path", data)
		return "", false
	}
	d.ok("doctor.data_new", "path", data)
	return folder, true
}

// eventBytes is the size of an event in a journal, with what is published in the
// meantime: measured 42 at rest and 160 while fluid runs, which is seldom.
const eventBytes = 60

func (d *doctor) disk(c *config.Config, folder string) {
	var disk unix.Statfs_t
	if err := unix.Statfs(folder, &disk); err != nil {
		d.look("doctor.disk_unknown", "why", err)
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
	gigabytes := func(bytes float64) string { return fmt.Sprintf("%.1f", bytes/gb) }
	pairs := []any{"free_gb", gigabytes(free), "month_gb", gigabytes(30 * perDay), "most_gb", gigabytes(maxJournals)}
	switch days := free / perDay; {
	case maxJournals < free && days >= 7:
		d.ok("doctor.disk_enough", pairs...)
	case days < 1:
		d.wrong("doctor.disk_hours", append(pairs, "count", int(24*days))...)
	case days < 30:
		d.look("doctor.disk_days", append(pairs, "count", int(days))...)
	default:
		d.ok("doctor.disk_enough", pairs...)
	}
}

// journal checks whether the journal of a cart can be read and replayed.
func (d *doctor) journal(ctx context.Context, c *config.Config, cart string) {
	path := c.JournalPath(cart)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		d.ok("doctor.journal_none", "cart", cart)
		return
	}
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		d.wrong("doctor.journal_bad", "cart", cart, "why", err)
		return
	}
	defer j.Close()
	state, lost, err := j.Replay(ctx)
	if err != nil {
		d.wrong("doctor.journal_bad", "cart", cart, "why", err)
		return
	}
	if lost.Key != "" {
		d.wrong("doctor.journal_bad", "cart", cart, "why", &words.Error{Text: lost})
	}
	newest := time.Unix(0, state.NowNs)
	pairs := []any{"cart", cart, "event", fmt.Sprint(state.Seq), "newest", minute(newest)}
	if ahead := newest.Sub(d.now); ahead > time.Minute {
		d.look("doctor.journal_ahead", append(pairs, "ahead", ahead.Round(time.Minute))...)
		return
	}
	d.ok("doctor.journal_good", pairs...)
}
