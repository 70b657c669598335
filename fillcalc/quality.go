package fillcalc

import (
	"maps"
	"slices"
)

// Quality says whether a figure is known, and if not why: a code from a closed list
// and what it is about.
type Quality struct {
	Code       QualityCode
	Instrument Instrument // what Sensor is; empty if it is about none
	Sensor     string
	Why        string // with [QualityClosedUnmeasured]: the reason that the person gave
}

// QualityCode is one of a closed list. Programs compare it; people read
// [Quality.String].
type QualityCode string

const (
	QualityGood QualityCode = "good"

	// Codes about the job.
	QualityNoJob            QualityCode = "no_job"            // no job was opened yet
	QualityNotOpen          QualityCode = "not_open"          // the last job has ended
	QualityClosedUnmeasured QualityCode = "closed_unmeasured" // a job was closed although a scale could not be read

	// Codes about a scale or a probe.
	QualityNoProbe     QualityCode = "no_probe"     // none is configured
	QualityNoReading   QualityCode = "no_reading"   // it has sent no reading yet
	QualitySilent      QualityCode = "silent"       // it sends nothing
	QualityDamaged     QualityCode = "damaged"      // its frames are damaged
	QualityFault       QualityCode = "fault"        // the instrument reports a fault
	QualityOverload    QualityCode = "overload"     // the load is above its capacity
	QualityUnderload   QualityCode = "underload"    // the load is below its range
	QualityUnsettled   QualityCode = "unsettled"    // it has not been at rest since it was heard
	QualitySettling    QualityCode = "settling"     // it is weighed, or moves faster than fluid
	QualityAway        QualityCode = "away"         // its container is off
	QualityTooFast     QualityCode = "too_fast"     // it moves faster than fluid can
	QualityOutOfRange  QualityCode = "out_of_range" // no temperature of a transmission
	QualityStandsStill QualityCode = "stands_still" // it does not move although the engine runs
	QualityStandsIn    QualityCode = "stands_in"    // the coolant's temperature stands in for the fluid's
	QualityWatched     QualityCode = "watched"      // it is watched for a few seconds first
)

// Instrument is a kind of sensor.
type Instrument string

const (
	AScale Instrument = "scale"
	AProbe Instrument = "probe"
)

// qualityWords are the words for each code, to stand behind the sensor's name if the
// quality is about a sensor.
var qualityWords = map[QualityCode]string{
	QualityGood:             "good",
	QualityNoJob:            "no job was opened yet",
	QualityNotOpen:          "no job is open",
	QualityClosedUnmeasured: "closed although not all was measured: ",
	QualityNoProbe:          "no temperature probe is configured",
	QualityNoReading:        "has sent no reading yet",
	QualitySilent:           "is silent",
	QualityDamaged:          "sends damaged frames",
	QualityFault:            "reports a fault",
	QualityOverload:         "is overloaded",
	QualityUnderload:        "is below its range",
	QualityUnsettled:        "has not settled yet",
	QualitySettling:         "is settling",
	QualityAway:             "carries no container",
	QualityTooFast:          "moves faster than fluid can: is it in the fluid?",
	QualityOutOfRange:       "shows no temperature of a transmission",
	QualityStandsStill:      "stands still while the engine runs: is it in the fluid?",
	QualityStandsIn:         "stands in for the fluid's temperature, which follows later",
	QualityWatched:          "is watched for a few seconds first",
}

// QualityCodes lists all codes in the order of the alphabet.
func QualityCodes() []QualityCode { return slices.Sorted(maps.Keys(qualityWords)) }

// Good reports whether nothing stands in the way of the figure.
func (q Quality) Good() bool { return q.Code == QualityGood }

// String returns the quality in words for people.
func (q Quality) String() string {
	text := qualityWords[q.Code] + q.Why
	if q.Sensor != "" {
		text = string(q.Instrument) + " " + q.Sensor + " " + text
	}
	if q.Code == QualityStandsIn {
		text = "coolant: " + text
	}
	return text
}

func aboutScale(code QualityCode, sensor string) Quality { return about(code, AScale, sensor) }

func aboutProbe(code QualityCode, sensor string) Quality { return about(code, AProbe, sensor) }

// about leaves out the sensor if nothing is wrong with it.
func about(code QualityCode, what Instrument, sensor string) Quality {
	if code == QualityGood {
		return Quality{Code: code}
	}
	return Quality{Code: code, Instrument: what, Sensor: sensor}
}
