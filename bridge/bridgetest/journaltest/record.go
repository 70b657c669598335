package journaltest

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// recorder writes jobs into a journal as a cart does, but without a cart: it folds the
// events and adds what a cart would publish.
type recorder struct {
	t          testing.TB
	journal    *journal.Journal
	identities names.Hider
	recordKey  ed25519.PrivateKey
	state      fillcalc.State
	chain      points.Chain
	batch      journal.Batch
	notedNs    int64 // when volumes and window were added last
}

// take folds an event and adds what would be published.
func (r *recorder) take(e fillcalc.Event) {
	e.Seq, e.AtNs = r.state.Seq+1, max(e.AtNs, r.state.NowNs+1)
	r.state = fillcalc.Apply(r.state, e)
	r.batch.Events = append(r.batch.Events, e)
	if e.Kind == fillcalc.KindInput && e.Input.Do != fillcalc.DoTick || r.state.NowNs-r.notedNs >= 200e6 {
		r.notedNs = r.state.NowNs
		r.batch.Published = append(r.batch.Published, points.Volumes(&r.state), points.Window(&r.state))
	}
	if len(r.batch.Events) >= 500 {
		r.keep()
	}
}

// do writes a command that the fold accepts, with its answer and, when it ends the job,
// with the closing record.
func (r *recorder) do(in fillcalc.Input, atNs int64) {
	r.t.Helper()
	if fillcalc.Check(&r.state, &in) != nil {
		return // it may be refused here, because it comes nanoseconds later and there is a probe
	}
	r.keep()
	r.batch.Names = r.identities.Hide(&in)
	open := r.state.Job.Phase.Open()
	r.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: atNs, Input: &in})
	r.batch.Answers = []journal.Answer{{ID: in.ID, AtNs: r.state.NowNs, Command: sha256.Sum256(nil), Reply: []byte("{}")}}
	r.batch.LinkChain(r.chain)
	if open && !r.state.Job.Phase.Open() {
		r.batch.Published = append(r.batch.Published, points.Summary(&r.state, r.batch.Chain, "test", r.recordKey))
		r.batch.Snapshot = &r.state
	}
	r.append()
}

// keep writes the batch so far to disk.
func (r *recorder) keep() {
	r.t.Helper()
	if len(r.batch.Events) > 0 {
		r.batch.LinkChain(r.chain)
		r.append()
	}
}

func (r *recorder) append() {
	r.t.Helper()
	if err := r.journal.Append(r.t.Context(), r.batch); err != nil {
		r.t.Fatal(err)
	}
	r.chain, r.batch = r.batch.Chain, journal.Batch{}
}

// KeepJobs writes jobs that were played elsewhere into the journal of the configuration's
// first cart, one after the other, under the given names. It adds a probe that warms up
// with the engine to each.
func KeepJobs(t testing.TB, config *config.Config, jobNames []string, jobs ...[]fillcalc.Event) {
	t.Helper()
	cart := &config.Carts[0]
	journal, err := journal.Open(config.JournalPath(cart.Name))
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	key, err := config.IdentityKey()
	if err != nil {
		t.Fatal(err)
	}
	recordKey, err := config.RecordKey()
	if err != nil {
		t.Fatal(err)
	}
	r := recorder{t: t, journal: journal, recordKey: recordKey, identities: names.Hider{Key: key, Policy: config.Identities.Policy(), Current: names.Names{}}}
	r.take(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: time.Now().UnixNano(), Input: &fillcalc.Input{Do: fillcalc.DoStart, Setup: cart.Setup(config.Shop, nil)}})
	for k, events := range jobs {
		vehicle := fmt.Sprintf("Grey Van %d", 7+k)
		if k == 1 {
			vehicle = "" // the second job names none
		}
		r.play(jobNames[k], vehicle, events)
		if r.state.Job.Spec.ID != jobNames[k] || r.state.Job.Phase.Open() {
			t.Fatalf("job %s is %s, not ended", r.state.Job.Spec.ID, r.state.Job.Phase)
		}
	}
	r.keep()
}

func (r *recorder) play(name, vehicle string, events []fillcalc.Event) {
	r.t.Helper()
	shift := r.state.NowNs + 1e9 - events[0].AtNs
	celsius, probeNs, frames := 25.0, int64(0), uint64(0)
	for _, e := range events {
		e.AtNs += shift
		if e.Value == 0 || e.Faults.Hidden() {
			e.Value = 0 // as a cart leaves it
		}
		if e.AtNs-probeNs >= 1e9 {
			probeNs = e.AtNs
			frames++
			if p := r.state.Job.Phase; p == fillcalc.Running || p == fillcalc.Checking {
				celsius += 0.25
			}
			r.take(fillcalc.Event{AtNs: e.AtNs, Kind: fillcalc.KindTemperature, Sensor: "probe", N: frames, Value: celsius})
		}
		if e.Input == nil || e.Input.Do == fillcalc.DoTick {
			r.take(e)
			continue
		}
		in := *e.Input
		if in.Do == fillcalc.DoStart {
			setup := *in.Setup
			setup.Shop, setup.Cart = r.state.Setup.Shop, r.state.Setup.Cart
			setup.Probe = fillcalc.ProbeSetup{Sensor: "probe", LagS: 5}
			e.Input = &fillcalc.Input{Do: fillcalc.DoStart, Setup: &setup}
			r.take(e)
			continue
		}
		if in.Do == fillcalc.DoOpen {
			spec := *in.Job
			spec.ID, spec.Vehicle = name, vehicle
			in.Job, in.Setup = &spec, &r.state.Setup
		}
		in.ID = name + "-" + string(in.Do) + "-" + wire.Timestamp(e.AtNs)
		r.do(in, e.AtNs)
	}
	if r.state.Job.Phase.Open() {
		// The probe's readings shift other events by nanoseconds, so that closing a job may
		// be refused here.
		r.do(fillcalc.Input{Do: fillcalc.DoAbandon, ID: name + "-abandon", Why: "a test"}, r.state.NowNs)
	}
}
