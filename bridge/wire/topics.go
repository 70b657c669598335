package wire

import (
	"encoding/json"
	"math"
	"slices"
	"time"

	"bayfill/fillcalc"
)

// Leaf is the last part of a topic: bayfill/{shop}/{cart}/{leaf}.
type Leaf string

const (
	PresenceLeaf Leaf = "presence"
	AboutLeaf    Leaf = "about"
	VolumesLeaf  Leaf = "volumes"
	WindowLeaf   Leaf = "window"
	JobLeaf      Leaf = "job"
	AlertsLeaf   Leaf = "alerts"
	ReadingsLeaf Leaf = "readings"
	CommandsLeaf Leaf = "commands"
	RepliesLeaf  Leaf = "replies"
)

// Version of the program; set by the linker in a release.
var Version = "0.1-dev"

// ContractVersion is the version of topics and messages.
const ContractVersion = 1

// rfc3339 has a fraction of fixed width, so that times line up and sort as text.
const TimeLayout = "2006-01-02T15:04:05.000Z"

func Timestamp(ns int64) string { return time.Unix(0, ns).UTC().Format(TimeLayout) }

// Presence is the leaf presence, and the will.
type Presence struct {
	Online   bool    `json:"online"`
	Since    *string `json:"since"`
	Session  string  `json:"session"`
	Version  string  `json:"version"`
	Contract int     `json:"contract"`
	Why      string  `json:"why,omitempty"`
}

// About is the leaf about.
type About struct {
	Program  string        `json:"program"`
	Version  string        `json:"version"`
	Contract int           `json:"contract"`
	Leaves   []Leaf        `json:"leaves"`
	Sensors  []AboutSensor `json:"sensors"`
	// Fluids whose density was measured on this cart.
	Measured []AboutFluid `json:"measured_fluids"`
	Units    string       `json:"units"`
}

// AboutSensor is one sensor in the leaf about.
type AboutSensor struct {
	Name     string `json:"name"`
	Role     string `json:"role"`
	Quantity string `json:"quantity"`
	Protocol string `json:"protocol"`
}

// AboutFluid is a fluid whose density was measured.
type AboutFluid struct {
	Name        string `json:"name"`
	DensityKgM3 Number `json:"density_kg_m3"`
	AtC         Number `json:"at_c"`
	UPct        Number `json:"density_u_pct"` // relative standard uncertainty
}

// VolumesMessage is the leaf volumes. Litres are at the reference temperature.
type Volumes struct {
	TS          string `json:"ts"`
	Seq         uint64 `json:"seq"`
	Job         string `json:"job"`
	Phase       string `json:"phase"`
	Quality     string `json:"quality"`
	QualityCode string `json:"quality_code"`         // of fillcalc.QualityCode
	QualityOf   string `json:"quality_of,omitempty"` // the sensor that it is about
	DrainedL    Number `json:"drained_l"`
	DrainedUL   Number `json:"drained_u_l"`
	AddedL      Number `json:"added_l"`
	AddedUL     Number `json:"added_u_l"`
	BalanceL    Number `json:"balance_l"`
	BalanceUL   Number `json:"balance_u_l"`
	UndecidedL  Number `json:"undecided_l"`
	DrainedLMin Number `json:"drained_l_min"`
	AddedLMin   Number `json:"added_l_min"`
	RemainingL  Number `json:"remaining_l"`
	DrainedKg   Number `json:"drained_kg"`
	AddedKg     Number `json:"added_kg"`
	ReferenceC  Number `json:"reference_c"`
	CaddyFreeL  Number `json:"caddy_free_l"`
}

func VolumesOf(s *fillcalc.State) Volumes {
	v := s.Volumes()
	remainingL := math.NaN()
	if plan, err := s.Plan(); err == nil {
		remainingL = plan.RemainingL
	}
	referenceC := s.Job.ReferenceC
	if s.Job.Phase == fillcalc.NoJob {
		referenceC = s.Setup.ReferenceC
	}
	return Volumes{
		TS: Timestamp(s.NowNs), Seq: s.Seq, Job: s.Job.Spec.ID, Phase: string(s.Job.Phase), Quality: v.Quality.String(), QualityCode: string(v.Quality.Code), QualityOf: v.Quality.Sensor,
		DrainedL: Number(v.DrainedL), DrainedUL: Number(v.DrainedUL),
		AddedL: Number(v.AddedL), AddedUL: Number(v.AddedUL),
		BalanceL: Number(v.BalanceL), BalanceUL: Number(v.BalanceUL),
		UndecidedL: Number(v.UndecidedL), DrainedLMin: Number(v.DrainedLMin), AddedLMin: Number(v.AddedLMin),
		RemainingL: Number(remainingL), DrainedKg: Number(v.DrainedKg), AddedKg: Number(v.AddedKg),
		ReferenceC: Number(referenceC), CaddyFreeL: Number(v.CaddyFreeL),
	}
}

// sameFill tells whether two messages would look the same on a display that
// shows millilitres and millilitres a second.
func (m *Volumes) SameFill(o *Volumes) bool {
	same := func(a, b Number) bool {
		if math.IsNaN(float64(a)) || math.IsNaN(float64(b)) {
			return math.IsNaN(float64(a)) == math.IsNaN(float64(b))
		}
		return math.Round(float64(a)*1e3) == math.Round(float64(b)*1e3)
	}
	return m.Job == o.Job && m.Phase == o.Phase && m.Quality == o.Quality &&
		same(m.DrainedL, o.DrainedL) && same(m.AddedL, o.AddedL) && same(m.UndecidedL, o.UndecidedL) &&
		same(m.RemainingL, o.RemainingL) && same(m.DrainedLMin/60, o.DrainedLMin/60) && same(m.AddedLMin/60, o.AddedLMin/60)
}

// WindowMessage is the leaf window.
type Window struct {
	TS    string `json:"ts"`
	State string `json:"state"`
	// Since when the bridge has said so: a change of state is an event, told at once
	// to who listens, and this is its name for who comes later or hears it twice.
	Since    string `json:"since"`
	TempC    Number `json:"temp_c"`
	LowC     Number `json:"low_c"`
	HighC    Number `json:"high_c"`
	RateCMin Number `json:"rate_c_min"`
	// Until it opens and closes, and the expanded uncertainty (k = 2) of that.
	OpensInS    Number `json:"opens_in_s"`
	OpensInUS   Number `json:"opens_in_u_s"`
	ClosesInS   Number `json:"closes_in_s"`
	ClosesInUS  Number `json:"closes_in_u_s"`
	Quality     string `json:"quality"`
	QualityCode string `json:"quality_code"`         // of fillcalc.QualityCode
	QualityOf   string `json:"quality_of,omitempty"` // the sensor that it is about
	// Source is where the temperature is taken: fluid, coolant (which stands in for
	// it), none.
	Source string `json:"source"`
	// By how much the level stands too high now, against the middle of the window.
	LevelShiftML    Number `json:"level_shift_ml"`
	LevelShiftShare Number `json:"level_shift_share"` // of the way between the dipstick's marks
}

func WindowOf(s *fillcalc.State) Window {
	w := s.CheckWindow()
	source := "fluid"
	switch {
	case s.Probe.Sensor != "":
	case s.Coolant.Sensor != "":
		source = "coolant"
	default:
		source = "none"
	}
	return Window{
		TS: Timestamp(s.NowNs), State: string(w.State), Since: Timestamp(s.NowNs), TempC: Number(w.TempC),
		LowC: Number(w.LowC), HighC: Number(w.HighC), RateCMin: Number(w.RateCMin),
		OpensInS: Number(w.OpensInS), OpensInUS: Number(w.OpensInUS),
		ClosesInS: Number(w.ClosesInS), ClosesInUS: Number(w.ClosesInUS),
		Quality: w.Quality.String(), QualityCode: string(w.Quality.Code), QualityOf: w.Quality.Sensor, Source: source,
		LevelShiftML: Number(w.LevelShiftML), LevelShiftShare: Number(w.LevelShiftShare),
	}
}

// sameWindow tells whether a display that was shown o some seconds ago, and has
// counted down since, still says what m says.
func (m *Window) SameWindow(o *Window, agoS float64) bool {
	tenths := func(n Number) float64 { return math.Round(float64(n) * 10) }
	a, b := tenths(m.TempC), tenths(o.TempC)
	return m.State == o.State && m.Quality == o.Quality && (a == b || a != a && b != b) &&
		(m.LowC == o.LowC || m.LowC != m.LowC && o.LowC != o.LowC) &&
		asForetold(m.OpensInS, o.OpensInS, agoS) && asForetold(m.ClosesInS, o.ClosesInS, agoS)
}

// asForetold tells whether a time until something is what an earlier message
// implies: within 5 s and 5 %, but nobody sees less than a second.
func asForetold(s, earlierS Number, agoS float64) bool {
	if math.IsNaN(float64(s)) || math.IsNaN(float64(earlierS)) {
		return math.IsNaN(float64(s)) == math.IsNaN(float64(earlierS))
	}
	impliedS := max(0, float64(earlierS)-agoS)
	return math.Abs(float64(s)-impliedS) <= max(1, min(5, 0.05*impliedS))
}

// sameForetold tells whether both messages name the same state and foretell, or do
// not, the same things.
func (m *Window) SameForetold(o *Window) bool {
	known := func(s Number) bool { return !math.IsNaN(float64(s)) }
	return m.State == o.State && known(m.OpensInS) == known(o.OpensInS) && known(m.ClosesInS) == known(o.ClosesInS)
}

// JobMessage is the leaf job: all of it.
type Job struct {
	TS          string          `json:"ts"`
	Job         string          `json:"job"`
	Vehicle     string          `json:"vehicle"`
	Phase       string          `json:"phase"`
	OpenedAt    *string         `json:"opened_at"`
	PhaseAt     *string         `json:"phase_at"`
	Why         string          `json:"why,omitempty"`
	UsedFluid   string          `json:"used_fluid"`
	Fluid       string          `json:"fluid"`
	Window      *JobWindow      `json:"window"`
	ServiceData *JobServiceData `json:"service_data"`
	Plan        *JobPlan        `json:"plan"`
	Flow        JobFlow         `json:"flow"`
	Tail        *JobTail        `json:"tail"`
	Tally       Volumes         `json:"tally"`
	// What ran out again at the check opening.
	OverflowL  Number `json:"overflow_l"`
	OverflowUL Number `json:"overflow_u_l"`
	// What people told, and what makes up the uncertainties.
	Entered        []JobEntry `json:"entered"`
	EnteredLeftOut int        `json:"entered_left_out"` // older ones that do not fit into the message
	Uncertainty    JobBudgets `json:"uncertainty"`
	// The same volumes as they lie or will lie, at other temperatures.
	AtOther   []VolumesAt `json:"at_other_temperatures"`
	Undecided []JobStep   `json:"undecided"`
	Decided   []JobStep   `json:"decided"`
	// How many older steps do not fit into the message.
	UndecidedLeftOut int      `json:"undecided_left_out"`
	DecidedLeftOut   int      `json:"decided_left_out"`
	Cautions         []string `json:"cautions"`
}

// Brokers refuse a message of more than 64 KiB, the embedded one by ending the
// connection: of a job with hundreds of steps the newest of each kind are shown,
// so many and at most so many bytes of JSON.
const (
	mostSteps     = 100
	mostStepBytes = 20 << 10
)

// JobWindow is the check window of the service data.
type JobWindow struct {
	LowC  Number `json:"low_c"`
	HighC Number `json:"high_c"`
}

// VolumesAt is drained and added at another temperature than the reference.
type VolumesAt struct {
	At       string `json:"at"`
	TempC    Number `json:"temp_c"`
	DrainedL Number `json:"drained_l"`
	AddedL   Number `json:"added_l"`
}

// JobStep is a change that was held apart.
type JobStep struct {
	Step   int    `json:"step"`
	At     string `json:"at"`
	Sensor string `json:"sensor"`
	Kg     Number `json:"kg"`
	L      Number `json:"l"` // if it was fluid, at the reference temperature
	Cause  string `json:"cause"`
	Tally  string `json:"tally"`          // the account it goes to if it was fluid
	With   int    `json:"with,omitempty"` // the other step of an object that came and went
	As     string `json:"as,omitempty"`
	By     string `json:"by,omitempty"`
}

func JobOf(s *fillcalc.State) Job {
	j := &s.Job
	m := Job{
		TS: Timestamp(s.NowNs), Job: j.Spec.ID, Vehicle: j.Spec.Vehicle, Phase: string(j.Phase), Why: j.Why,
		UsedFluid: j.Spec.Used.Name, Fluid: j.Spec.Fresh.Name, Tally: VolumesOf(s), Flow: FlowOf(s),
		AtOther: []VolumesAt{}, Undecided: []JobStep{}, Decided: []JobStep{}, Cautions: cautions(j.Phase),
		OverflowL: Number(math.NaN()), OverflowUL: Number(math.NaN()),
		Uncertainty: budgetsMessage(s),
	}
	m.Entered, m.EnteredLeftOut = entriesMessage(s)
	if j.Phase == fillcalc.NoJob {
		return m
	}
	opened, phase := Timestamp(j.OpenedNs), Timestamp(j.PhaseNs)
	m.OpenedAt, m.PhaseAt = &opened, &phase
	m.Window = &JobWindow{Number(j.Spec.LowC), Number(j.Spec.HighC)}
	m.ServiceData = serviceDataMessage(&j.Spec)
	v := s.Volumes()
	m.Plan, m.Tail = planMessage(s), tailMessage(s)
	m.OverflowL, m.OverflowUL = Number(v.OverflowL), Number(v.OverflowUL)
	at := func(what string, celsius float64) {
		drained, err := s.AsItLiesL(j.Spec.Used, v.DrainedL, celsius)
		if err != nil {
			return
		}
		added, err := s.AsItLiesL(j.Spec.Fresh, v.AddedL, celsius)
		if err != nil {
			return
		}
		m.AtOther = append(m.AtOther, VolumesAt{what, Number(celsius), Number(drained), Number(added)})
	}
	at("middle of the check window", (j.Spec.LowC+j.Spec.HighC)/2)
	if c := s.CaddyC(); !math.IsNaN(c) {
		at("as it lies in the caddy", c)
	}
	undecidedBytes, decidedBytes := 0, 0
	for _, step := range slices.Backward(j.Steps) {
		js := JobStep{Step: step.ID, At: Timestamp(step.AtNs), Sensor: step.Sensor, Kg: Number(step.Kg),
			L: Number(s.StepL(step)), Cause: string(step.Cause), Tally: step.Tally.String(),
			With: step.With, As: string(step.As), By: step.By}
		list, leftOut, bytes := &m.Decided, &m.DecidedLeftOut, &decidedBytes
		if step.As == "" {
			list, leftOut, bytes = &m.Undecided, &m.UndecidedLeftOut, &undecidedBytes
		}
		*bytes += len(Encode(js))
		if len(*list) == mostSteps || *bytes > mostStepBytes {
			*leftOut++
			continue
		}
		*list = append(*list, js)
	}
	slices.Reverse(m.Undecided)
	slices.Reverse(m.Decided)
	return m
}

// ReadingMessage is one message on the leaf readings. A frame without a value has
// neither Kg nor C, and its faults say why.
type Reading struct {
	TS        string   `json:"ts"`
	Sensor    string   `json:"sensor"`
	N         uint64   `json:"n"`
	Kg        *float64 `json:"kg,omitempty"`
	C         *float64 `json:"c,omitempty"`
	Stability string   `json:"stability,omitempty"`
	Faults    []string `json:"faults"`
}

func ReadingOf(e fillcalc.Event) Reading {
	m := Reading{TS: Timestamp(e.AtNs), Sensor: e.Sensor, N: e.N, Faults: e.Faults.Names()}
	switch e.Kind {
	case fillcalc.KindWeight:
		m.Stability = e.Stability.String()
		if !e.Faults.Hidden() {
			m.Kg = &e.Value
		}
	case fillcalc.KindTemperature:
		if !e.Faults.Hidden() {
			m.C = &e.Value
		}
	}
	return m
}

// Reply is the answer to a command.
type Reply struct {
	ID    *string `json:"id"`
	OK    bool    `json:"ok"`
	Error string  `json:"error,omitempty"`
	Job   string  `json:"job,omitempty"`
}

// encode never fails: every message above is made of types that JSON can say.
func Encode(message any) []byte {
	text, err := json.Marshal(message)
	if err != nil {
		panic("bridge: message cannot be encoded: " + err.Error())
	}
	return text
}

// stateLeaves in the order in which they are sent after a connect.
var StateLeaves = []Leaf{PresenceLeaf, AboutLeaf, JobLeaf, VolumesLeaf, WindowLeaf, AlertsLeaf}
