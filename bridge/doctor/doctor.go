package doctor

import (
	"context"
	"fmt"
	"os"
	"os/user"
	"strings"
	"time"

	"bayfill/bridge/config"
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

// examine makes all checks, in the order in which they depend on each other.
func (d *doctor) examine(ctx context.Context, path string) {
	if os.Geteuid() == 0 {
		d.look("user: this is root, who may do what the bridge may not: run this as the bridge's user, as in runuser -u bayfill -- bayfill doctor")
	}
	c, err := config.Load(path)
	if err != nil {
		d.wrong("configuration: %v", err)
		return
	}
	d.ok("configuration: %s is good", path)
	d.secrets(c)
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

func (d *doctor) secrets(c *config.Config) {
	if err := c.CheckSecrets(); err != nil {
		d.wrong("secrets: %v: this user must be able to read it in this environment, as the bridge must", err)
		return
	}
	d.ok("secrets: all can be read")
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

// userName is the name of the user that runs this program.
func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return fmt.Sprintf("user %d", os.Geteuid())
}
