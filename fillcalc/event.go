package fillcalc

// Event is one thing that happened to a cart. Events are the only input of the
// fold, and what the journal stores. An Event is a plain value that does not
// depend on the drivers that make readings.
type Event struct {
	// Seq is the event's number in the cart's journal, from 1 without gaps.
	Seq uint64
	// AtNs is the time in nanoseconds since 1970 UTC, strictly increasing within a
	// cart. Durations come from the monotonic clock, so that a step of the wall clock
	// does not show.
	AtNs int64
	Kind Kind

	// Sensor, N, Value, Stability and Faults belong to weights and temperatures.
	Sensor    string
	N         uint64  // number of the sensor's frame, faulty ones included
	Value     float64 // kg as the scale shows it, or °C; 0 if a fault hides it
	Stability Stability
	Faults    Faults

	// Input belongs to KindInput and is nil otherwise.
	Input *Input
}

// Kind says which of an event's fields are used.
type Kind uint8

const (
	KindWeight Kind = iota + 1
	KindTemperature
	KindInput
)

// Stability is what the scale itself reports about a reading.
type Stability uint8

const (
	StabilityUnknown Stability = iota
	Stable
	InMotion
)

func (s Stability) String() string { return [...]string{"unknown", "stable", "motion"}[min(s, 2)] }

// Faults is the set of faults of one frame.
type Faults uint8

const (
	FaultOverload  Faults = 1 << iota // above capacity: the value cannot be trusted
	FaultUnderload                    // below the zero range
	FaultChecksum                     // frame damaged
	FaultFrame                        // frame not understood
	FaultSensor                       // the instrument reports that it has no value (zero error, open probe)
	FaultUnit                         // the frame's unit differs from the configured one; the value is converted from the frame's
	FaultNoUnit                       // neither the frame nor the configuration gives a unit
)

// Hidden reports whether the faults leave the event without a usable value.
func (f Faults) Hidden() bool { return f&^FaultUnit != 0 }

var faultNames = [...]string{"overload", "underload", "checksum", "frame", "sensor", "unit", "no_unit"}

// Names lists the faults by name.
func (f Faults) Names() []string {
	names := []string{}
	for i, name := range faultNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// Input is an event other than a reading: a command from a person, or a note of
// the program itself. It is stored as JSON in the journal and the history. A new
// field must be omitempty, or the inputs of old journals get another hash in an
// audit.
type Input struct {
	Do Do `json:"do"`
	// ID is the command's id and By its sender; both are empty for a note of the
	// program.
	ID string `json:"id,omitempty"`
	By string `json:"by,omitempty"`

	Setup *Setup `json:"setup,omitempty"` // with start; with open, the current one
	Clock *Clock `json:"clock,omitempty"` // with clock; with open, the current one
	// Resumed comes with start when the journal was an older copy.
	Resumed *Resumed `json:"resumed,omitempty"`
	Job     *JobSpec `json:"job,omitempty"`    // with open
	Phase   Phase    `json:"phase,omitempty"`  // with phase
	Engine  Engine   `json:"engine,omitempty"` // with a phase to which the job goes back
	Change  int      `json:"change,omitempty"` // with answer
	As      Label    `json:"as,omitempty"`     // with answer
	Sensor  string   `json:"sensor,omitempty"` // with clear; empty: all scales that count
	Entry   *Entry   `json:"entry,omitempty"`  // with enter
	Record  *Record  `json:"record,omitempty"` // with record
	Items   []Item   `json:"items,omitempty"`  // with record: more items with the same result
	Gear    string   `json:"gear,omitempty"`   // with gear; empty means that none is engaged
	// Weighing comes with density, and with weigh, which needs only its Sensor.
	Weighing *Weighing `json:"weighing,omitempty"`
	Why      string    `json:"why,omitempty"` // with abandon; with close despite a scale that cannot be read; with what was asked back
}

// Resumed says that a journal was put back from an older copy: events after a number were
// lost from it, and the numbers begin anew above all that are known. It is not used in
// calculation.
type Resumed struct {
	After uint64 `json:"after"` // the newest event of the copy
	UpTo  uint64 `json:"up_to"` // the last number that may have been given before
}

// Clock says how far event times can be trusted. It is not used in calculation; it
// is for people who read the times.
type Clock struct {
	// AheadNs is how much later event times are than the computer's clock.
	AheadNs int64 `json:"ahead_ns"`
	// Unset says that nothing has set the computer's clock since it was switched on.
	Unset bool `json:"unset,omitempty"`
}

// Do names an input.
type Do string

const (
	DoStart    Do = "start"    // the program began to measure with this setup
	DoTick     Do = "tick"     // time has passed without a reading
	DoClock    Do = "clock"    // what is known about event times has changed
	DoOpen     Do = "open"     // a job begins
	DoPhase    Do = "phase"    // the job changes its phase
	DoBaseline Do = "baseline" // what stands on the scales now counts as zero
	DoAnswer   Do = "answer"   // a person says what a change was
	DoClear    Do = "clear"    // a person says that only the container and its fluid stand on a scale
	DoEnter    Do = "enter"    // a person enters what no sensor sees
	DoRecord   Do = "record"   // a piece of work is reported
	DoUndo     Do = "undo"     // the newest record, entry or phase is taken back
	DoGear     Do = "gear"     // a gear is engaged while the engine runs
	DoWeigh    Do = "weigh"    // a density measurement begins at a scale's present level
	DoDensity  Do = "density"  // the change since weigh gives a fluid's density
	DoClose    Do = "close"    // the job is done
	DoAbandon  Do = "abandon"  // the job is abandoned
)

// Phase is the phase of a job. The zero value means that no job was opened yet.
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

// Open reports whether a job in this phase is neither closed nor abandoned.
func (p Phase) Open() bool { return p != NoJob && p != Closed && p != Abandoned }

// Setup describes a cart to the fold.
type Setup struct {
	// Shop and Cart are where a job was done, so that its record cannot be moved elsewhere.
	Shop       string       `json:"shop"`
	Cart       string       `json:"cart"`
	ReferenceC float64      `json:"reference_c"` // temperature at which volumes are given
	AirKgM3    float64      `json:"air_kg_m3"`
	Scales     []ScaleSetup `json:"scales"`               // one or two
	Probe      ProbeSetup   `json:"probe,omitzero"`       // in the transmission's fluid
	CaddyProbe ProbeSetup   `json:"caddy_probe,omitzero"` // in the drained fluid
	Coolant    ProbeSetup   `json:"coolant,omitzero"`     // in the engine's coolant
	Caddy      CaddySetup   `json:"caddy"`
}

// CaddySetup is the weight of the empty caddy on its scale, and its capacity;
// HoldsL is 0 if it is not known.
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

// ScaleSetup describes one scale and its uncertainty.
type ScaleSetup struct {
	Sensor       string  `json:"sensor"`
	Load         Load    `json:"load"`
	ResolutionKg float64 `json:"resolution_kg"` // step of the display
	// RepeatabilityKg is the standard deviation of one settled weighing.
	RepeatabilityKg float64 `json:"repeatability_kg"`
	// GainU is the relative standard uncertainty of the slope; a calibration
	// replaces it.
	GainU float64 `json:"gain_u"`
	// MaxFlowKgS is the fastest flow of fluid; a faster change is not counted until it has lasted.
	MaxFlowKgS float64 `json:"max_flow_kg_s"`
	// Calibration is the latest one; nil if there is none.
	Calibration *ScaleCalibration `json:"calibration,omitempty"`
}

// JobSpec is what is known about a job when it is opened.
type JobSpec struct {
	ID      string `json:"id"`
	Vehicle string `json:"vehicle,omitempty"`
	// ServiceData names the shop's file that the figures below come from.
	ServiceData string `json:"service_data,omitempty"`
	Source      string `json:"source,omitempty"` // where the shop looked them up
	Why         string `json:"why,omitempty"`    // given for a window that was asked back
	// Used is the fluid that is drained, Fresh the one that is added.
	Used  Fluid  `json:"used"`
	Fresh Fluid  `json:"fresh"`
	Batch string `json:"batch,omitempty"` // of the fresh fluid, as printed on its container
	// UsedSpreadU is the relative standard uncertainty that use adds to the density
	// of the drained fluid if the density of fresh fluid stands in for it.
	UsedSpreadU float64 `json:"used_spread_u,omitempty"`
	// LowC and HighC are the limits of the check window.
	LowC  float64 `json:"low_c"`
	HighC float64 `json:"high_c"`
	// FirstFill is the fraction of the target to pour before the engine starts; 0.8
	// unless the service data say otherwise.
	FirstFill float64 `json:"first_fill"`
	// Check says how the level is judged.
	Check CheckMethod `json:"check,omitempty"`
	// Figures from the service data; 0 means unknown.
	BoltTorqueNM  float64 `json:"bolt_torque_nm,omitempty"`
	TypicalL      float64 `json:"typical_l,omitempty"`       // of a refill
	TotalL        float64 `json:"total_l,omitempty"`         // capacity of the transmission
	BottleL       float64 `json:"bottle_l,omitempty"`        // labelled size of the bottles
	EmptyBottleKg float64 `json:"empty_bottle_kg,omitempty"` // weight of an empty one
	BetweenMarksL float64 `json:"between_marks_l,omitempty"` // from the dipstick's lower to its upper mark
	// Gears are the names of the gears to work, in their order, separated by spaces; empty: the
	// usual ones.
	Gears string `json:"gears,omitempty"`
	// Passes is how many times the transmission is drained and filled; 0 is once.
	Passes int `json:"passes,omitempty"`
	// BalanceBandL limits the difference of added and drained while both run; 0 means
	// no limit.
	BalanceBandL float64 `json:"balance_band_l,omitempty"`
	// AskedFluid is the fluid that the service data ask for. OtherFluid is the reason
	// why another one is used, and OtherFluidBy who gave it.
	AskedFluid   string `json:"asked_fluid,omitempty"`
	OtherFluid   string `json:"other_fluid,omitempty"`
	OtherFluidBy string `json:"other_fluid_by,omitempty"`
	// Needs are the items of work that the shop needs for a pass, beside the level at the end.
	Needs []Item `json:"needs,omitempty"`
	// Usual is what usually came out in the shop's own jobs; nil if too few were done.
	Usual *Usual `json:"usual,omitempty"`
}

// correct returns the weight in kg for what the scale shows.
func (s *ScaleSetup) correct(shownKg float64) float64 {
	if s.Calibration == nil {
		return shownKg
	}
	return shownKg * s.Calibration.Slope
}

// gainU returns the relative standard uncertainty of the slope at a time.
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
