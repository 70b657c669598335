package wire

// Alerts is the leaf alerts: all that is wrong now.
type Alerts struct {
	TS     string  `json:"ts"`
	Alerts []Alert `json:"alerts"`
}

// Alert is one thing that is wrong now.
type Alert struct {
	// Kind tells alerts of one cart apart, and stays the same for as long as one lasts:
	// the code, with a colon and what it is about where there may be several.
	Kind      string    `json:"kind"`
	Code      AlertCode `json:"code"`
	Sensor    string    `json:"sensor,omitempty"`    // that it is about
	Condition string    `json:"condition,omitempty"` // with AlertSensor: of sensors.Condition
	Since     string    `json:"since"`
	Text      string    `json:"text"` // what, where, what to do
	// Figures are those in Text that a reader may want in other units; each name ends
	// in its unit.
	Figures map[string]Number `json:"figures,omitempty"`
}

// AlertCode says what is wrong: one of a closed list.
type AlertCode string

const (
	AlertBroker         AlertCode = "broker"           // the cart has no connection, or not the rights it needs
	AlertHistory        AlertCode = "history"          // the history does not take what is measured
	AlertHistoryRefused AlertCode = "history_refused"  // it refused lines for good
	AlertJournal        AlertCode = "journal"          // the disk refuses
	AlertJournalGap     AlertCode = "journal_gap"      // readings were given up because the disk refused for too long
	AlertJournalFilling AlertCode = "journal_filling"  // the journal comes near its limit
	AlertJournalJobs    AlertCode = "journal_jobs"     // it is beyond its limit, and only jobs are left
	AlertJournalGivenUp AlertCode = "journal_given_up" // readings were given up at the limit
	AlertSnapshot       AlertCode = "snapshot"         // the journal's snapshot is damaged
	AlertClock          AlertCode = "clock"            // the cart's time and the computer's differ
	AlertClockUnset     AlertCode = "clock_unset"      // the computer's clock was not set from outside
	AlertSensor         AlertCode = "sensor"           // its condition is not good
	AlertFrames         AlertCode = "frames"           // its frames are damaged, or carry another unit
	AlertFrozen         AlertCode = "frozen"           // a scale may have frozen
	AlertCalibration    AlertCode = "calibration"      // it was never calibrated, failed, or is overdue
	AlertBalance        AlertCode = "balance"          // added and drained differ by more than the job's band
	AlertCaddy          AlertCode = "caddy"            // the caddy is nearly full
	AlertStep           AlertCode = "step"             // a scale moved against the way fluid goes there
)

// AlertCodes lists all codes.
var AlertCodes = []AlertCode{AlertBroker, AlertHistory, AlertHistoryRefused, AlertJournal, AlertJournalGap, AlertJournalFilling,
	AlertJournalJobs, AlertJournalGivenUp, AlertSnapshot, AlertClock, AlertClockUnset, AlertSensor, AlertFrames, AlertFrozen,
	AlertCalibration, AlertBalance, AlertCaddy, AlertStep}
