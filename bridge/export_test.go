package bridge

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"testing"

	"bayfill/fillcalc"
)

// The audit imports this package: its tests on whole journals and a real history
// live here, outside the package, and use these.

var StartInflux = startInflux

// KeepJobs lets a cart take the events of jobs that were played elsewhere, one
// after the other, as fast as its journal allows; a probe that warms up with the
// engine is added to each. It returns the name of each job.
func KeepJobs(t testing.TB, config *Config, names []string, jobs ...[]fillcalc.Event) {
	t.Helper()
	b, err := New(t.Context(), config, Options{Log: testLog(),
		Open: func(string, string) (io.ReadWriteCloser, error) { return nil, errors.New("no port") }})
	if err != nil {
		t.Fatal(err)
	}
	defer b.close()
	c := b.carts[0]
	c.calibrationNs = 1 << 62
	flush := func(most int) {
		for len(c.unsaved.Events) > most {
			batch := c.nextBatch()
			if err := c.journal.Append(t.Context(), batch); err != nil {
				t.Fatal(err)
			}
			c.onDisk(batch)
		}
	}
	for k, events := range jobs {
		shift := c.state.NowNs + 1e9 - events[0].AtNs
		celsius, probeNs, frames := 25.0, int64(0), uint64(0)
		for _, e := range events {
			e.AtNs += shift
			if e.Value == 0 || e.Faults.Hidden() {
				e.Value = 0 // as eventOf leaves it
			}
			if e.AtNs-probeNs >= 1e9 {
				probeNs = e.AtNs
				frames++
				if p := c.state.Job.Phase; p == fillcalc.Running || p == fillcalc.Checking {
					celsius += 0.25
				}
				c.take(fillcalc.Event{AtNs: e.AtNs, Kind: fillcalc.KindTemperature, Sensor: "probe", N: frames, Value: celsius})
			}
			if e.Input == nil || e.Input.Do == fillcalc.DoTick || e.Input.Do == fillcalc.DoStart {
				if e.Input != nil && e.Input.Setup != nil {
					setup := *e.Input.Setup
					setup.Probe = fillcalc.ProbeSetup{Sensor: "probe", LagS: 5}
					e.Input = &fillcalc.Input{Do: fillcalc.DoStart, Setup: &setup}
				}
				c.take(e)
				flush(500)
				continue
			}
			in := *e.Input
			if in.Do == fillcalc.DoOpen {
				spec := *in.Job
				spec.ID = names[k]
				if k != 1 { // nobody has to name one
					spec.Vehicle = "Grey Van 7"
				}
				in.Job, in.Setup, in.Levels = &spec, &c.state.Setup, c.state.Levels()
			}
			in.ID = names[k] + "-" + string(in.Do) + "-" + timestamp(e.AtNs)
			flush(mostInBatch)
			if fillcalc.Check(&c.state, &in) != nil {
				continue // nanoseconds later, or with a probe, it is refused now and then
			}
			if err := c.keepAndDo(t.Context(), &in, c.identities.hide(&in), e.AtNs, sha256.Sum256(nil)); err != nil {
				t.Fatal(err)
			}
		}
		flush(0)
		if c.state.Job.Phase.Open() {
			// The probe's readings shift others by nanoseconds: what could be closed then,
			// now and then cannot.
			in := fillcalc.Input{Do: fillcalc.DoAbandon, ID: names[k] + "-abandon", Why: "a test"}
			if err := c.keepAndDo(t.Context(), &in, nil, c.state.NowNs, sha256.Sum256(nil)); err != nil {
				t.Fatal(err)
			}
		}
		if c.state.Job.Spec.ID != names[k] || c.state.Job.Phase.Open() {
			t.Fatalf("job %s is %s, not ended", c.state.Job.Spec.ID, c.state.Job.Phase)
		}
	}
}

// Forward sends a cart's journal to a history, all of it.
func Forward(t testing.TB, config *Config, cart string) {
	t.Helper()
	h, err := openHistory(config.History, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer h.close()
	j, err := OpenJournal(config.JournalPath(cart))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	f := forwarder{shop: config.Shop, cart: cart, journal: j, history: h}
	for {
		sent, refused, err := f.once(t.Context())
		if err != nil || refused != 0 {
			t.Fatalf("%d lines refused, %v", refused, err)
		}
		if sent == 0 {
			return
		}
	}
}

// QL runs a statement of the old query language.
func (i *influx) QL(statement string) { i.ql(statement) }

// Write writes lines as anybody may who holds the token.
func (i *influx) Write(lines ...string) {
	i.t.Helper()
	i.WriteTo("bayfill/autogen", lines...)
}

// WriteTo writes them to another bucket.
func (i *influx) WriteTo(bucket string, lines ...string) {
	i.t.Helper()
	h, err := openHistory(HistoryConfig{URL: i.url, Bucket: bucket}, 1)
	if err != nil {
		i.t.Fatal(err)
	}
	defer h.close()
	if refused, err := h.send(context.Background(), lines); err != nil || len(refused) > 0 {
		i.t.Fatalf("%v, %v", refused, err)
	}
}
