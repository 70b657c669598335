package doctor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
)

// Verdict is what a check found.
type Verdict string

const (
	OK    Verdict = "ok"
	Look  Verdict = "look"  // may be right: somebody should have a look
	Wrong Verdict = "wrong" // the bridge cannot do its work like this
)

// Finding is the result of one check. Text is one line: what was checked, what was
// found and, unless all is well, what to do.
type Finding struct {
	Verdict Verdict
	Text    string
}

// Examine checks everything that the bridge needs with the configuration in the file
// path, and passes each finding to report, in order, as soon as it is known. now is
// the computer's time; clockSet says whether that has been set from outside, as from
// the network. Examine returns early when ctx ends.
func Examine(ctx context.Context, path string, now time.Time, clockSet func() bool, report func(Finding)) {
	d := doctor{report: report, now: now, clockSet: clockSet}
	d.examine(ctx, path)
}

// doctor is one examination.
type doctor struct {
	report   func(Finding)
	now      time.Time
	clockSet func() bool
}

func (d *doctor) say(v Verdict, format string, args ...any) {
	// The first line of an error is enough: the others quote the configuration file.
	text, _, _ := strings.Cut(fmt.Sprintf(format, args...), "\n")
	d.report(Finding{v, text})
}

func (d *doctor) ok(format string, args ...any)    { d.say(OK, format, args...) }
func (d *doctor) look(format string, args ...any)  { d.say(Look, format, args...) }
func (d *doctor) wrong(format string, args ...any) { d.say(Wrong, format, args...) }

func (d *doctor) examine(ctx context.Context, path string) {
	if os.Geteuid() == 0 {
		d.look("user: this is root, who may do what the bridge may not: run this as its user, as in runuser -u bayfill -- bayfill doctor")
	}
	c, err := config.Load(path)
	if err != nil {
		d.wrong("configuration: %v", err)
		return
	}
	d.ok("configuration: %s is good", path)
	if err := c.CheckSecrets(); err != nil {
		d.wrong("secrets: %v: this user, in this environment, must be able to read it as the bridge must", err)
	} else {
		d.ok("secrets: all can be read")
	}
	running := d.running(c)
	readable := d.data(c)
	for i := range c.Carts {
		cart := &c.Carts[i]
		if readable {
			d.journal(ctx, c, cart.Name)
		}
		for _, s := range cart.Sensors {
			d.port(fmt.Sprintf("port of %s/%s: %s", cart.Name, s.Name, s.Port), s.Port, running[cart.Name])
		}
		if readable {
			d.calibrations(c, cart)
		}
	}
	d.broker(ctx, c, running)
	d.history(ctx, c)
	d.clock()
	d.serviceData(c)
}

// held is whether a running bridge has a cart.
type held int

const (
	free held = iota
	taken
	unknown // the lock cannot be looked at
)

func (d *doctor) running(c *config.Config) map[string]held {
	running := map[string]held{}
	for i := range c.Carts {
		name := c.Carts[i].Name
		process, is, err := journal.Holder(c.JournalPath(name))
		switch {
		case err != nil:
			running[name] = unknown
			d.look("running: whether a bridge has cart %s cannot be told: %v", name, err)
		case is:
			running[name] = taken
			d.ok("running: process %s has cart %s", process, name)
		default:
			d.ok("running: no bridge has cart %s now", name)
		}
	}
	return running
}

// eventBytes is what an event takes in a journal, with what is published meanwhile:
// measured 42 at rest and 160 while fluid runs, which is seldom.
const eventBytes = 60

// data tells whether what lies in the data folder can be looked at.
func (d *doctor) data(c *config.Config) bool {
	folder := c.Data
	probe, err := os.CreateTemp(folder, ".doctor-*")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		for errors.Is(err, fs.ErrNotExist) && folder != filepath.Dir(folder) {
			folder = filepath.Dir(folder)
			_, err = os.Stat(folder)
		}
		if unix.Access(folder, unix.W_OK) != nil {
			d.wrong("data folder: %s is missing, and %s may not make it: as root, install -d -o %s -m 750 %s", c.Data, userName(), userName(), c.Data)
			return false
		}
		d.ok("data folder: %s is not there yet, the bridge makes it", c.Data)
	case errors.Is(err, fs.ErrPermission):
		d.wrong("data folder: %s may not write in %s: as root, chown -R %s %s", userName(), folder, userName(), folder)
		return false
	case err != nil:
		d.wrong("data folder: %v: nothing can be kept, free disk space or replace the card", err)
		return false
	default:
		err = errors.Join(probe.Close(), os.Remove(probe.Name()))
		if err != nil {
			d.wrong("data folder: %v", err)
			return false
		}
		d.ok("data folder: %s may write in %s", userName(), folder)
	}
	var disk unix.Statfs_t
	if err := unix.Statfs(folder, &disk); err != nil {
		d.look("disk: its free space cannot be told: %v", err)
		return true
	}
	perSecond := 0.0
	for i := range c.Carts {
		for _, s := range c.Carts[i].Sensors {
			perSecond += 1000 / float64(s.PollMs) // about what instruments send that are not asked, too
		}
	}
	d.space(float64(disk.Bavail)*float64(disk.Bsize), perSecond*eventBytes*24*3600, *c.Journal.MostMB*1e6*float64(len(c.Carts)))
	return true
}

// space tells of the bytes that are free, that readings take in a day, and that all
// journals may take at most.
func (d *doctor) space(free, perDay, most float64) {
	const gb = 1e9
	text := fmt.Sprintf("disk: %.1f GB free; a month of readings takes about %.1f GB, of which a week is kept, and more, up to %.1f GB (journal.most_mb), only while the history is away",
		free/gb, 30*perDay/gb, most/gb)
	switch days := free / perDay; {
	case most < free && days >= 7:
		d.ok("%s", text)
	case days < 1:
		d.wrong("%s: full within %.0f hours then, free space or take a larger card", text, 24*days)
	case days < 30:
		d.look("%s: full within %.0f days then", text, days)
	default:
		d.ok("%s", text)
	}
}

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
	if lost != "" {
		d.wrong("journal of %s: %s", cart, lost)
	}
	newest := time.Unix(0, state.NowNs)
	text := fmt.Sprintf("journal of %s: event %d of %s is the newest", cart, state.Seq, newest.UTC().Format("2006-01-02 15:04 UTC"))
	if ahead := newest.Sub(d.now); ahead > time.Minute {
		d.look("%s, %s ahead of this computer's clock: that is slow now, or was fast then; a cart's times never run back", text, ahead.Round(time.Minute))
		return
	}
	d.ok("%s", text)
}

func (d *doctor) history(ctx context.Context, c *config.Config) {
	if c.History.URL == "" {
		d.ok("history: none is configured; the journal keeps a week")
		return
	}
	if _, err := c.History.Token.Read(); err != nil {
		return // told with the secrets
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if err := history.Check(ctx, c.History); err != nil {
		d.wrong("history: %s: %v; until then the journal keeps it, up to journal.most_mb", c.History.URL, err)
		return
	}
	d.ok("history: %s takes what is sent to bucket %s", c.History.URL, c.History.Bucket)
}

// written is when this was: a computer that says it is earlier has lost its time.
var written = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() {
	switch {
	case d.now.Before(written) || d.now.Year() > 2099:
		d.wrong("clock: it says %s: set it, events would bear that time for good", d.now.UTC().Format(time.DateOnly))
	case !d.clockSet():
		d.look("clock: it says %s and is not synchronised: switch a time service on (timedatectl set-ntp true), or set it by hand", d.now.UTC().Format("2006-01-02 15:04 UTC"))
	default:
		d.ok("clock: %s, synchronised as far as the system tells", d.now.UTC().Format("2006-01-02 15:04 UTC"))
	}
}

func (d *doctor) calibrations(c *config.Config, cart *config.Cart) {
	for _, s := range cart.Sensors {
		all, warning, err := config.ReadCalibrations(c.CalibrationPath(cart.Name, s.Name))
		if err != nil {
			d.wrong("%v", err)
			continue
		}
		if warning != "" {
			d.look("calibrations: %s", warning)
		}
		var last *config.Calibration
		if len(all) > 0 {
			last = &all[len(all)-1]
		}
		text := fmt.Sprintf("calibration of %s/%s: %s", cart.Name, s.Name, config.CalibrationState(last, d.now.UnixNano()))
		do := fmt.Sprintf("bayfill calibrate --cart %s --sensor %s", cart.Name, s.Name)
		switch {
		case last == nil || last.Passed() && d.now.UnixNano() > last.DueNs():
			d.look("%s: %s", text, do)
		case !last.Passed():
			d.wrong("%s: adjust, repair or replace it, then %s", text, do)
		default:
			d.ok("%s", text)
		}
	}
}

func (d *doctor) serviceData(c *config.Config) {
	if c.ServiceData == "" {
		return
	}
	good, err := config.ReadServiceData(c.ServiceData, c.FluidsByName())
	bad := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		bad = joined.Unwrap()
	}
	for _, err := range bad {
		if err != nil {
			d.wrong("service data: %v", err)
		}
	}
	if err == nil {
		d.ok("service data: %d good in %s", len(good), c.ServiceData)
	}
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return fmt.Sprintf("user %d", os.Geteuid())
}
