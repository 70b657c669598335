package doctor

import (
	"context"
	"fmt"
	"os"
	"os/user"
	"strings"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

// Verdict is what a check found.
type Verdict string

const (
	OK    Verdict = "ok"
	Look  Verdict = "look"  // may be right: somebody should have a look
	Wrong Verdict = "wrong" // the bridge cannot do its work like this
)

// Finding is the result of one check: what was checked, what was found and, unless all is
// well, what to do.
type Finding struct {
	Verdict Verdict
	What    *words.Error
}

// For says the finding to a reader, in one line: an error may quote lines of the configuration
// file.
func (f Finding) For(r words.Reader) string {
	line, _, _ := strings.Cut(r.Fault(f.What), "\n")
	return line
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

// The three verdicts take a key and its pairs, see [words.NewError].

func (d *doctor) ok(key string, pairs ...any) { d.report(Finding{OK, words.NewError(key, pairs...)}) }
func (d *doctor) look(key string, pairs ...any) {
	d.report(Finding{Look, words.NewError(key, pairs...)})
}
func (d *doctor) wrong(key string, pairs ...any) {
	d.report(Finding{Wrong, words.NewError(key, pairs...)})
}

// examine makes all checks, in the order in which they depend on each other.
func (d *doctor) examine(ctx context.Context, path string) {
	if os.Geteuid() == 0 {
		d.look("doctor.root")
	}
	c, err := config.Load(path)
	if err != nil {
		for _, fault := range config.Faults(err) {
			d.wrong("doctor.config_bad", "why", fault)
		}
		return
	}
	d.ok("doctor.config_good", "path", path)
	d.secrets(c)
	running := d.running(c)
	readable := d.data(c)
	for i := range c.Carts {
		cart := &c.Carts[i]
		if readable {
			d.journal(ctx, c, cart.Name)
		}
		for _, s := range cart.Sensors {
			d.port(cart.Name+"/"+s.Name, s.Port, running[cart.Name])
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

func (d *doctor) secrets(c *config.Config) {
	bad := config.Faults(c.CheckSecrets())
	for _, err := range bad {
		d.wrong("doctor.secrets_bad", "why", err)
	}
	if len(bad) == 0 {
		d.ok("doctor.secrets_good")
	}
}

func (d *doctor) serviceData(c *config.Config) {
	if c.ServiceData == "" {
		return
	}
	good, err := config.ReadServiceData(c.ServiceData, c.FluidsByName())
	for _, fault := range config.Faults(err) {
		d.wrong("doctor.service_bad", "why", fault)
	}
	if err == nil {
		d.ok("doctor.service_good", "count", len(good), "path", c.ServiceData)
	}
}

// userName is the name of the user that runs this program.
func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return fmt.Sprintf("user %d", os.Geteuid())
}
