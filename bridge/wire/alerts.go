package wire

import "bayfill/fillcalc"

// Alerts is the message of the leaf alerts: everything that is wrong now.
type Alerts struct {
	TS     string  `json:"ts"`
	Alerts []Alert `json:"alerts"`
}

// Alert is one thing that is wrong now.
type Alert struct {
	// Kind identifies the alert on its cart for as long as it lasts: the code, followed
	// by a colon and its subject where there may be several.
	Kind      string    `json:"kind"`
	Code      AlertCode `json:"code"`
	Sensor    string    `json:"sensor,omitempty"`    // the sensor concerned, if any
	Condition string    `json:"condition,omitempty"` // with AlertSensor: of sensors.Condition
	Since     string    `json:"since"`
	Said                // what is wrong, where, and what to do about it
}

// AlertCode says what is wrong. The list is closed: the schema names every code.
type AlertCode string

const (
	AlertBroker         AlertCode = "broker"                         // the cart has no connection, or lacks a right
	AlertHistory        AlertCode = "history"                        // the history does not accept what is measured
	AlertHistoryRefused AlertCode = "history_refused"                // the history refused lines for good
	AlertJournal        AlertCode = "journal"                        // writing to the disk fails
	AlertJournalGap     AlertCode = "journal_gap"                    // readings were dropped because writing failed for too long
	AlertJournalFilling AlertCode = "journal_filling"                // the journal approaches its limit
	AlertJournalJobs    AlertCode = "journal_jobs"                   // the journal is above its limit, and only jobs are left in it
	AlertJournalGivenUp AlertCode = "journal_given_up"               // readings were deleted at the limit
	AlertJournalOlder   AlertCode = "journal_older"                  // the journal was put back from an older copy
	AlertSnapshot       AlertCode = "snapshot"                       // the journal's snapshot is damaged
	AlertClock          AlertCode = "clock"                          // the cart's time and the computer's differ
	AlertClockUnset     AlertCode = "clock_unset"                    // the computer's clock was not set from outside
	AlertSensor         AlertCode = "sensor"                         // a sensor's condition is not good
	AlertFrames         AlertCode = "frames"                         // a sensor's frames are damaged, or carry another unit
	AlertFrozen         AlertCode = "frozen"                         // a scale may have frozen
	AlertCalibration    AlertCode = "calibration"                    // a sensor was never calibrated, failed its calibration, or is overdue
	AlertBalance        AlertCode = AlertCode(fillcalc.AlertBalance) // added and drained differ by more than the job's band
	AlertCaddy          AlertCode = AlertCode(fillcalc.AlertCaddy)   // the caddy is nearly full
	AlertChange         AlertCode = AlertCode(fillcalc.AlertChange)  // a scale moved against the direction of flow there
	AlertFlow           AlertCode = AlertCode(fillcalc.AlertFlow)    // fluid runs faster than the scale's configuration says
	AlertJumps          AlertCode = AlertCode(fillcalc.AlertJumps)   // a scale sends nothing while its load moves
	AlertMoved          AlertCode = AlertCode(fillcalc.AlertMoved)   // by the checks of many jobs, a scale has moved
	AlertScatter        AlertCode = AlertCode(fillcalc.AlertScatter) // a scale sways more than its configuration says
	AlertStockLow       AlertCode = "stock_low"                      // of a fluid less is left than the shop wants to have
	AlertWasteFull      AlertCode = "waste_full"                     // the container for used oil must be emptied
	AlertRecords        AlertCode = "records"                        // a closing record could not be copied to its second place
	AlertRunsOut        AlertCode = AlertCode(fillcalc.AlertRunsOut) // what is poured in runs out below
)

// AlertCodes lists all codes.
var AlertCodes = []AlertCode{AlertBroker, AlertHistory, AlertHistoryRefused, AlertJournal, AlertJournalGap, AlertJournalFilling,
	AlertJournalJobs, AlertJournalGivenUp, AlertJournalOlder, AlertSnapshot, AlertClock, AlertClockUnset, AlertSensor, AlertFrames, AlertFrozen,
	AlertCalibration, AlertBalance, AlertCaddy, AlertChange, AlertFlow, AlertJumps, AlertMoved, AlertScatter, AlertStockLow, AlertWasteFull, AlertRecords, AlertRunsOut}
