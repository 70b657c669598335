package fillcalc

// Event is one thing that happened to a cart: all that the fold eats, and all
// that the journal keeps of it. It is a plain value; the drivers that make
// readings can change without touching it.
type Event struct {
	// Seq is the event's place in the cart's journal, from 1 without gaps.
	Seq uint64
	// AtNs is the time in nanoseconds since 1970 UTC, strictly increasing within
	// a cart: durations come from the monotonic clock, and a wall clock that
	// steps does not move it back.
	AtNs int64
	Kind Kind

	// Sensor, N, Value, Stability and Faults belong to Weight and Temperature.
	Sensor    string
	N         uint64  // the sensor's own count of its frames, faulty ones included
	Value     float64 // kg as the scale shows it, or °C; 0 and meaningless with a fault that hides it
	Stability Stability
	Faults    Faults

	// Input belongs to the kind Input and is nil otherwise.
	Input *Input
}

// Kind says which of an event's fields count.
type Kind uint8

const (
	KindWeight Kind = iota + 1
	KindTemperature
	KindInput
)

// Stability is what the scale itself says of its reading.
type Stability uint8

const (
	StabilityUnknown Stability = iota
	Stable
	InMotion
)

func (s Stability) String() string { return [...]string{"unknown", "stable", "motion"}[min(s, 2)] }

// Faults is a set of things wrong with one frame.
type Faults uint8

const (
	FaultOverload  Faults = 1 << iota // above capacity: the value is not to be trusted
	FaultUnderload                    // below zero range
	FaultChecksum                     // frame damaged
	FaultFrame                        // frame not understood
	FaultSensor                       // the instrument says that it has no value (zero error, open probe)
	FaultUnit                         // the frame's unit is not the configured one: value converted by the frame's, installer to correct
	FaultNoUnit                       // neither frame nor configuration gives a unit
)

// Hidden reports whether the faults leave the event without a value.
func (f Faults) Hidden() bool { return f&^FaultUnit != 0 }

var faultNames = [...]string{"overload", "underload", "checksum", "frame", "sensor", "unit", "no_unit"}

// Names lists the set in words.
func (f Faults) Names() []string {
	names := []string{}
	for i, name := range faultNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// Input is everything the fold eats besides readings: commands from people and
// the program's own notes. It is kept as JSON in the journal and the history.
type Input struct {
	Do Do `json:"do"`
	// ID and By are the command's id and who sent it, when a person did.
	ID string `json:"id,omitempty"`
	By string `json:"by,omitempty"`

	Setup  *Setup   `json:"setup,omitempty"`  // with start; with open, the one in force
	Levels []Level  `json:"levels,omitempty"` // with open
	Clock  *Clock   `json:"clock,omitempty"`  // with clock; with open, the one in force
	Job    *JobSpec `json:"job,omitempty"`    // with open
	Phase  Phase    `json:"phase,omitempty"`  // with phase
	Step   int      `json:"step,omitempty"`   // with decide
	As     Decision `json:"as,omitempty"`     // with decide
	Gone   int      `json:"gone,omitempty"`   // with decide as fluid: the step with which an object had come that went at the same moment
	Sensor string   `json:"sensor,omitempty"` // with cleared
	Before *bool    `json:"before,omitempty"` // with cleared: not of objects, but whether what was laid there before the scale counted was a tool, and is off
	Unseen Unseen   `json:"unseen,omitempty"` // with cleared: what hid the end of an object
	Entry  *Entry   `json:"entry,omitempty"`  // with enter
	Record *Record  `json:"record,omitempty"` // with record
	Gear   string   `json:"gear,omitempty"`   // with gear; empty puts none in
	// Weighing comes with weigh, which needs its sensor only, and with density.
	Weighing *Weighing `json:"weighing,omitempty"`
	Why      string    `json:"why,omitempty"` // with abandon; with close in spite of a dead scale; with a phase that is early
}

// Level is where a scale stands, corrected by its calibration.
type Level struct {
	Sensor string  `json:"sensor"`
	Kg     float64 `json:"kg"`
}

// Clock is what is known of the times that events bear. Nobody calculates with it:
// it is for whoever reads the times.
type Clock struct {
	// AheadNs is by how much they are later than the computer's clock.
	AheadNs int64 `json:"ahead_ns"`
	// Unset says that the computer's clock had not been set from outside since it
	// was switched on.
	Unset bool `json:"unset,omitempty"`
}

// Do names an input.
type Do string

const (
	DoStart    Do = "start"    // the program began to measure with this setup
	DoTick     Do = "tick"     // time has passed without a reading
	DoClock    Do = "clock"    // what is known of the events' times has changed
	DoOpen     Do = "open"     // a job begins
	DoPhase    Do = "phase"    // the job goes to another phase
	DoBaseline Do = "baseline" // what stands on the scales now counts as zero
	DoDecide   Do = "decide"   // somebody says what a step was
	DoCleared  Do = "cleared"  // somebody sees that no object lies on a scale any more
	DoEnter    Do = "enter"    // somebody tells what no sensor sees
	DoRecord   Do = "record"   // a piece of work is reported
	DoGear     Do = "gear"     // a gear is put in, with the engine running
	DoWeigh    Do = "weigh"    // a scale's level now is where a density is measured from
	DoDensity  Do = "density"  // a fluid's density follows from what has left or come since
	DoClose    Do = "close"    // the job is done
	DoAbandon  Do = "abandon"  // the job is given up
)

// Phase is where a job stands. The zero value means that no job was opened yet.
type Phase string

const (
	NoJob     Phase = ""
	Ready     Phase = "ready"
	Draining  Phase = "draining"
	Service   Phase = "service"
	Filling   Phase = "filling"
	Running   Phase = "running"
	Checking  Phase = "checking"
	Closed    Phase = "closed"
	Abandoned Phase = "abandoned"
)

// Open reports whether a job in this phase is still being worked on.
func (p Phase) Open() bool { return p != NoJob && p != Closed && p != Abandoned }

// Setup is what the fold must know of a cart.
type Setup struct {
	ReferenceC float64      `json:"reference_c"`
	AirKgM3    float64      `json:"air_kg_m3"`
	Scales     []ScaleSetup `json:"scales"`
	Probe      ProbeSetup   `json:"probe,omitzero"`       // in the transmission's fluid
	CaddyProbe ProbeSetup   `json:"caddy_probe,omitzero"` // in the drained fluid
	Coolant    ProbeSetup   `json:"coolant,omitzero"`     // in the engine's coolant
	Caddy      CaddySetup   `json:"caddy"`
}

// CaddySetup says when the caddy is full; HoldsL is 0 when nobody measured it.
type CaddySetup struct {
	EmptyKg float64 `json:"empty_kg,omitempty"`
	HoldsL  float64 `json:"holds_l,omitempty"`
}

// Load is what stands on a scale.
type Load string

const (
	CaddyLoad  Load = "caddy"
	SupplyLoad Load = "supply"
	BothLoad   Load = "caddy+supply"
)

// ScaleSetup is one scale and how far it can be trusted.
type ScaleSetup struct {
	Sensor       string  `json:"sensor"`
	Load         Load    `json:"load"`
	ResolutionKg float64 `json:"resolution_kg"` // the step of its display
	// RepeatabilityKg is the standard deviation of one settled weighing.
	RepeatabilityKg float64 `json:"repeatability_kg"`
	// GainU is the relative standard uncertainty of its slope.
	GainU float64 `json:"gain_u"`
	// MaxFlowKgS is the fastest flow that is still fluid; faster is a step.
	MaxFlowKgS float64 `json:"max_flow_kg_s"`
	// Calibration is the last one on record; nil when there is none.
	Calibration *ScaleCalibration `json:"calibration,omitempty"`
}

// JobSpec is what is known of a job when it is opened.
type JobSpec struct {
	ID      string `json:"id"`
	Vehicle string `json:"vehicle,omitempty"`
	// ServiceData names the shop's file that the figures below come from.
	ServiceData string `json:"service_data,omitempty"`
	Source      string `json:"source,omitempty"` // where the shop looked them up
	// Used is the fluid that comes out, Fresh the one that goes in.
	Used  Fluid `json:"used"`
	Fresh Fluid `json:"fresh"`
	// UsedSpreadU is the relative standard uncertainty by which use may have changed
	// the density of a fluid that is taken for the fresh one.
	UsedSpreadU float64 `json:"used_spread_u,omitempty"`
	// LowC and HighC are the check window.
	LowC  float64 `json:"low_c"`
	HighC float64 `json:"high_c"`
	// FirstFill is the fraction of the target to pour before the engine starts.
	FirstFill float64 `json:"first_fill"`
	// Check says how the level is judged.
	Check CheckMethod `json:"check,omitempty"`
	// Litres from the service data; 0 is unknown.
	BoltTorqueNM  float64 `json:"bolt_torque_nm,omitempty"`
	TypicalL      float64 `json:"typical_l,omitempty"`       // what a refill usually takes
	TotalL        float64 `json:"total_l,omitempty"`         // all that the transmission holds
	BottleL       float64 `json:"bottle_l,omitempty"`        // size of the bottles
	BetweenMarksL float64 `json:"between_marks_l,omitempty"` // from the lower to the upper mark of the dipstick
	// BalanceBandL is how far added and drained may be apart while both run; 0 is
	// no limit.
	BalanceBandL float64 `json:"balance_band_l,omitempty"`
	// AskedFluid is the fluid of the service data. OtherFluid is why another one
	// goes in all the same, and who said so.
	AskedFluid   string `json:"asked_fluid,omitempty"`
	OtherFluid   string `json:"other_fluid,omitempty"`
	OtherFluidBy string `json:"other_fluid_by,omitempty"`
}

// correct is the weight that the scale's calibration makes of what it shows.
func (s *ScaleSetup) correct(shownKg float64) float64 {
	if s.Calibration == nil {
		return shownKg
	}
	return shownKg * s.Calibration.Slope
}

// gainU is the relative standard uncertainty of the slope at a time.
func (s *ScaleSetup) gainU(nowNs int64) float64 {
	if s.Calibration == nil {
		return s.GainU
	}
	return s.Calibration.GainU(nowNs)
}

// CheckMethod is how the level is judged.
type CheckMethod string

const (
	ByDipstick CheckMethod = "dipstick" // between two marks
	ByOverflow CheckMethod = "overflow" // at an opening from which too much runs out
)
