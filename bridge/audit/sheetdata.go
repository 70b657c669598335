package audit

import "bayfill/fillcalc"

// SheetData is the content of an audit sheet. Litres are at the reference
// temperature unless the name of the field says otherwise, U is expanded (k = 2),
// times are UTC, and sentences are those of the reader.
type SheetData struct {
	Shop       string  `json:"shop"`
	Cart       string  `json:"cart"`
	Job        string  `json:"job"`
	Vehicle    string  `json:"vehicle"`
	From       string  `json:"from"`
	Phase      string  `json:"phase"`
	Why        string  `json:"why,omitempty"`
	Opened     instant `json:"opened_at"`
	Printed    instant `json:"printed_at"` // null: not said
	Chain      string  `json:"chain"`      // where it ends, 64 hexadecimal digits; empty: no closing record
	OpenedBy   string  `json:"opened_by"`
	Ended      instant `json:"ended_at"`
	EndedBy    string  `json:"ended_by"`
	ReferenceC number  `json:"reference_c"`
	CheckC     number  `json:"check_c"` // the middle of the check window
	Fold       int     `json:"fold"`
	Program    string  `json:"program"`         // that made the closing record; empty: unknown
	Clock      string  `json:"clock,omitempty"` // what is wrong with the times, in words
	Events     int     `json:"events"`
	Published  int     `json:"published"`
	SameName   int     `json:"other_jobs_of_that_name"`

	Signature Signature   `json:"signature"`
	Names     []NameProof `json:"names"`

	Verdict      Verdict            `json:"verdict"`
	ServiceData  SheetServiceData   `json:"service_data"`
	Phases       []SheetPhase       `json:"phases"`
	Volumes      []SheetVolume      `json:"volumes"`
	Passes       []SheetPass        `json:"passes,omitempty"` // of a service in several
	Levels       []SheetRecord      `json:"levels"`
	Service      []SheetRecord      `json:"service"`
	Gears        []SheetGear        `json:"gears"`
	Entries      []SheetEntry       `json:"entries"`
	TakenBack    []SheetTakenBack   `json:"taken_back,omitempty"`
	Changes      []SheetChange      `json:"changes"`
	Clears       []SheetClear       `json:"clear_weighings"`
	Notices      []SheetNotice      `json:"notices"`
	Calibrations []SheetCalibration `json:"calibrations"`
	Checks       []SheetCheck       `json:"checks_by_use"`
	Findings     []Finding          `json:"findings"`
	Unverified   []string           `json:"unverified"`
	Recompute    string             `json:"recompute"`

	Pictures []sheetPicture `json:"-"`
}

// SheetServiceData is what the shop looked up for the vehicle. 0 is unknown.
type SheetServiceData struct {
	Name          string `json:"name"`
	Fluid         string `json:"fluid"`
	Batch         string `json:"batch,omitempty"` // of the fresh fluid
	UsedFluid     string `json:"used_fluid"`
	AskedFluid    string `json:"asked_fluid"`
	OtherFluid    string `json:"other_fluid,omitempty"`
	OtherFluidBy  string `json:"other_fluid_by,omitempty"`
	FreshKgM3     number `json:"fluid_kg_m3"`
	UsedKgM3      number `json:"used_fluid_kg_m3"`
	Check         string `json:"check"`
	LowC          number `json:"low_c"`
	HighC         number `json:"high_c"`
	TypicalL      number `json:"typical_l"`
	TotalL        number `json:"total_l"`
	BottleL       number `json:"bottle_l"`
	EmptyBottleKg number `json:"empty_bottle_kg"`
	BetweenMarksL number `json:"between_marks_l"`
	FirstFillPct  number `json:"first_fill_pct"`
	BoltTorqueNM  number `json:"bolt_torque_nm"`
	BalanceBandL  number `json:"balance_band_l"`
}

// SheetPhase is a phase of the job, in the order in which they came.
type SheetPhase struct {
	Phase     string  `json:"phase"`
	At        instant `json:"at"`
	DurationS number  `json:"duration_s"` // null for the last phase
	By        string  `json:"by"`
	Why       string  `json:"why,omitempty"`
}

// SheetVolume is a volume at the reference and at the check temperature, with the
// terms of its uncertainty.
type SheetVolume struct {
	Name    string      `json:"name"`
	Title   string      `json:"title"`
	Kg      number      `json:"kg"`
	L       number      `json:"l"`
	UL      number      `json:"u_l"`
	CheckL  number      `json:"check_l"` // at the check temperature
	CheckUL number      `json:"check_u_l"`
	Terms   []SheetTerm `json:"terms"`
}

// SheetPass is one pass of a service in several.
type SheetPass struct {
	OutL       number `json:"out_l"`
	AddedL     number `json:"added_l"`
	OldLeftPct number `json:"old_left_pct"` // of the old fluid, afterwards
}

// SheetTerm is the part of one input in the uncertainty of a volume: its standard
// uncertainty in mL of that volume, and its share of the variance.
type SheetTerm struct {
	Term     string `json:"term"`
	Title    string `json:"title"`
	Of       string `json:"of"`
	UML      number `json:"u_ml"`
	SharePct number `json:"share_pct"`
}

// SheetRecord is a piece of work that somebody recorded.
type SheetRecord struct {
	Item        string  `json:"item"`
	Text        string  `json:"text"`
	Result      string  `json:"result"`
	Count       int     `json:"count,omitempty"`
	SpecifiedNM number  `json:"specified_nm"`
	AppliedNM   number  `json:"applied_nm"`
	Written     string  `json:"written,omitempty"`
	Part        string  `json:"part,omitempty"` // number of the part that was fitted
	Note        string  `json:"note,omitempty"`
	At          instant `json:"at"`
	By          string  `json:"by"`
	Phase       string  `json:"phase"`
	Window      string  `json:"window"`
	TempC       number  `json:"temp_c"`
	Entered     instant `json:"entered_at,omitempty"` // of a level that was judged earlier
	Corrected   bool    `json:"corrected,omitempty"`  // by a later record of the same item
}

// SheetGear is a gear that was held while the engine ran.
type SheetGear struct {
	Name  string  `json:"name"`
	From  instant `json:"from"`
	HeldS number  `json:"held_s"`
}

// SheetEntry is an amount that somebody entered.
type SheetEntry struct {
	What  string  `json:"what"`
	L     number  `json:"l"`
	UL    number  `json:"u_l"` // standard uncertainty, as entered
	Share number  `json:"share"`
	TempC number  `json:"temp_c"`
	At    instant `json:"at"`
	By    string  `json:"by"`
	// Opening is what was seen at the check opening.
	Opening string `json:"opening,omitempty"`
}

// SheetTakenBack is a record, an entry or a phase that somebody took back.
type SheetTakenBack struct {
	Text string  `json:"text"`
	At   instant `json:"at"`
	By   string  `json:"by"`
	Took instant `json:"taken_back_at"`
	Who  string  `json:"taken_back_by"`
}

// SheetChange is weight that came or went at once, and what it was.
type SheetChange struct {
	Change int     `json:"change"`
	Sensor string  `json:"sensor"`
	At     instant `json:"at"`
	Kg     number  `json:"kg"` // as the scale shows it
	UKg    number  `json:"u_kg"`
	L      number  `json:"l"` // if it was fluid
	Cause  string  `json:"cause"`
	As     string  `json:"as"` // empty while undecided
	By     string  `json:"by"`
	First  int     `json:"first,omitempty"` // of the group that came and went together
	Last   int     `json:"last,omitempty"`
}

// SheetClear is a clear weighing, and by how much it corrected the account of its scale.
type SheetClear struct {
	Sensor       string  `json:"sensor"`
	At           instant `json:"at"`
	By           string  `json:"by"`
	LiveKg       number  `json:"live_kg"`
	SettledKg    number  `json:"settled_kg"` // null: no settled weighing followed
	CorrectionKg number  `json:"correction_kg"`
}

// SheetNotice is something that the program noticed, and for how long.
type SheetNotice struct {
	Kind NoticeKind `json:"kind"`
	Text string     `json:"text"`
	From instant    `json:"from"`
	To   instant    `json:"to"` // null: to the end
}

// NoticeKind is the source of a notice.
type NoticeKind string

const (
	AlertNotice  NoticeKind = "alert"
	RemarkNotice NoticeKind = "remark"
	SensorNotice NoticeKind = "sensor" // an instrument was silent, or reported a fault
	StartNotice  NoticeKind = "start"  // the program was started in the middle of the job
)

// SheetCalibration is a calibration that was in force during the job.
type SheetCalibration struct {
	Sensor  string           `json:"sensor"`
	Role    string           `json:"role"`
	At      instant          `json:"at"`
	Due     instant          `json:"due"`
	Slope   number           `json:"slope"`
	UPct    number           `json:"slope_u_pct"` // standard, at the job's end
	OffsetC number           `json:"offset_c"`
	UC      number           `json:"u_c"` // standard, at the check temperature
	Outcome fillcalc.Outcome `json:"outcome"`
}

// SheetCheck is what the job says about a scale by itself. Value and U (expanded) are in
// percent, of the emptied caddy in grams.
type SheetCheck struct {
	Kind   string `json:"kind"`
	Sensor string `json:"sensor,omitempty"` // empty: the cart's scales together
	Value  number `json:"value"`
	U      number `json:"u"`
	Unit   string `json:"unit"`
	Text   string `json:"text"`
}
