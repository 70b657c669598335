package points

import (
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"bayfill/bridge/names"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Measurements of the history. Tags are shop, cart and sensor only. Job ids are
// fields, because each tag value costs the server memory for ever.
const (
	ReadingMeasurement = "bayfill_reading" // one reading
	InputMeasurement   = "bayfill_input"   // one input: a command, a start, a tick
	VolumeMeasurement  = "bayfill_volume"  // volumes as published
	WindowMeasurement  = "bayfill_window"  // the check window as published
	JobMeasurement     = "bayfill_job"     // the closing record of a job
)

// fields builds the field set of a line. Floats have an exponent, so that they are
// read back bit for bit and never look like integers: the first type of a field stays
// its type in the server. Unknown figures are left out.
type fields struct{ b []byte }

func (f *fields) name(name string) {
	if len(f.b) > 0 {
		f.b = append(f.b, ',')
	}
	f.b = append(f.b, name...)
	f.b = append(f.b, '=')
}

func (f *fields) float(name string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	f.name(name)
	f.b = strconv.AppendFloat(f.b, v, 'e', -1, 64)
}

func (f *fields) int(name string, v int64) {
	f.name(name)
	f.b = strconv.AppendInt(f.b, v, 10)
	f.b = append(f.b, 'i')
}

// text leaves out an empty text, as it leaves out an unknown figure.
func (f *fields) text(name, v string) {
	if v == "" {
		return
	}
	f.name(name)
	f.b = append(f.b, '"')
	f.b = append(f.b, TextEscaper.Replace(strings.ToValidUTF8(v, "\uFFFD"))...)
	f.b = append(f.b, '"')
}

// foreign writes a value of a type that this program does not write itself.
func (f *fields) foreign(name string, v any) {
	f.name(name)
	f.b = fmt.Append(f.b, v)
	if _, unsigned := v.(uint64); unsigned {
		f.b = append(f.b, 'u')
	}
}

// keyEscaper escapes field names that other programs have written. The names of this
// program need no escaping.
var keyEscaper = strings.NewReplacer(",", `\,`, "=", `\=`, " ", `\ `)

// TextEscaper escapes a text field. A line must stay one line, and the server keeps an
// escaped line end as two characters, so line ends and tabs become spaces. JSON never
// contains any. Invalid UTF-8 must be replaced before: a reader may refuse the whole
// line because of it.
var TextEscaper = strings.NewReplacer(`"`, `\"`, `\`, `\\`, "\n", " ", "\r", " ", "\t", " ")

// Line returns an event as a line of the history, with the names behind its tokens.
func Line(shop, cart string, e *fillcalc.Event, names names.Names) (string, error) {
	measurement, fieldSet, err := fieldsOf(e, names)
	sensor := ""
	if measurement == ReadingMeasurement {
		sensor = ",sensor=" + e.Sensor
	}
	return Assemble(measurement, shop, cart, sensor, fieldSet, e.AtNs), err
}

// fieldsOf returns the fields of an event. It leaves out stability and faults when they
// are zero, as they are in most readings.
func fieldsOf(e *fillcalc.Event, names names.Names) (measurement, fieldSet string, err error) {
	var f fields
	measurement = ReadingMeasurement
	switch e.Kind {
	case fillcalc.KindWeight, fillcalc.KindTemperature:
		name := "kg"
		if e.Kind == fillcalc.KindTemperature {
			name = "c"
		}
		if e.Faults.Hidden() {
			f.int("kind", int64(e.Kind)) // without a value nothing else says which kind it is
		} else {
			f.float(name, e.Value)
		}
		if e.Stability != 0 {
			f.int("stability", int64(e.Stability))
		}
		if e.Faults != 0 {
			f.int("faults", int64(e.Faults))
		}
		f.int("n", int64(e.N))
	default:
		measurement = InputMeasurement
		body, err := json.Marshal(e.Input)
		if err != nil {
			return "", "", err
		}
		f.text("body", string(body))
		kept := namesOf(names, e.Input)
		for _, name := range slices.Sorted(maps.Keys(kept)) {
			f.text(name, kept[name].(string))
		}
	}
	f.int("seq", int64(e.Seq))
	return measurement, string(f.b), nil
}

// Assemble joins the parts of a line. sensor is empty or ",sensor=" and its name.
func Assemble(measurement, shop, cart, sensor, fieldSet string, atNs int64) string {
	return measurement + ",shop=" + shop + ",cart=" + cart + sensor + " " + fieldSet + " " + strconv.FormatInt(atNs, 10)
}

// OfVolumes returns what the history keeps of a volumes message: every known figure,
// unrounded.
func OfVolumes(m *wire.Volumes) Published {
	var f fields
	f.text("job", m.Job)
	f.text("phase", m.Phase)
	f.text("quality", m.Quality)
	for _, figure := range []struct {
		name  string
		value wire.Number
	}{
		{"drained_l", m.DrainedL}, {"drained_u_l", m.DrainedUL}, {"added_l", m.AddedL}, {"added_u_l", m.AddedUL},
		{"balance_l", m.BalanceL}, {"balance_u_l", m.BalanceUL}, {"undecided_l", m.UndecidedL},
		{"drained_l_min", m.DrainedLMin}, {"added_l_min", m.AddedLMin}, {"remaining_l", m.RemainingL},
		{"drained_kg", m.DrainedKg}, {"added_kg", m.AddedKg}, {"reference_c", m.ReferenceC}, {"caddy_free_l", m.CaddyFreeL},
	} {
		f.float(figure.name, float64(figure.value))
	}
	f.int("seq", int64(m.Seq))
	return Published{Seq: m.Seq, Measurement: VolumeMeasurement, Fields: string(f.b)}
}

// OfWindow is the same for the check window, published after event seq.
func OfWindow(m *wire.Window, seq uint64) Published {
	var f fields
	f.text("state", m.State)
	f.text("quality", m.Quality)
	f.float("temp_c", float64(m.TempC))
	f.float("low_c", float64(m.LowC))
	f.float("high_c", float64(m.HighC))
	f.float("rate_c_min", float64(m.RateCMin))
	f.int("seq", int64(seq))
	f.float("opens_in_s", float64(m.OpensInS))
	f.float("opens_in_u_s", float64(m.OpensInUS))
	f.float("closes_in_s", float64(m.ClosesInS))
	f.float("closes_in_u_s", float64(m.ClosesInUS))
	return Published{Seq: seq, Measurement: WindowMeasurement, Fields: string(f.b)}
}

// Volumes returns what the history keeps of a state's volumes. The cart that publishes
// them and the audit that computes them again both use it.
func Volumes(s *fillcalc.State) Published {
	m := wire.VolumesOf(s)
	return OfVolumes(&m)
}

// Window is the same for the check window.
func Window(s *fillcalc.State) Published {
	m := wire.WindowOf(s)
	return OfWindow(&m, s.Seq)
}

// ProgramField is the field of a closing record that names the build that made it.
const ProgramField = "program"

// Summary returns the closing record of a job, signed with a key unless that is nil; program
// is the build that makes it. Its
// chain reaches from the head before the job's opening over what was published after its
// last event to the record itself. The other fields are for comparing jobs of a fleet.
func Summary(s *fillcalc.State, chain Chain, program string, key ed25519.PrivateKey) Published {
	j := &s.Job
	v := s.Volumes()
	var f fields
	f.int("fold", fillcalc.FoldVersion)
	f.text(ProgramField, program)
	f.text("job", j.Spec.ID)
	f.text("vehicle", j.Spec.Vehicle)
	f.text("phase", string(j.Phase))
	f.text("fluid", j.Spec.Fresh.Name)
	f.float("drained_l", v.DrainedL)
	f.float("drained_u_l", v.DrainedUL)
	f.float("added_l", v.AddedL)
	f.float("added_u_l", v.AddedUL)
	f.float("balance_l", v.BalanceL)
	f.float("balance_u_l", v.BalanceUL)
	f.int("changes", int64(len(j.Changes)))
	f.int("opened_ns", j.OpenedNs)
	f.int("ended_ns", s.NowNs)
	f.text("service_data", j.Spec.ServiceData)
	f.int("passes", int64(j.Drains()))
	outL, outUL := s.OutL()
	f.float("out_l", outL)
	f.float("out_u_l", outUL)
	f.float("overflow_l", v.OverflowL)
	f.int("seq_from", int64(chain.JobSeq))
	f.int("seq", int64(s.Seq))
	if plan, err := s.Plan(); err == nil {
		f.float("target_l", plan.TargetL+plan.BeforeL)
		f.float("target_u_l", 2*plan.TargetUL)
	}
	if j.Spec.TypicalL > 0 {
		f.float("typical_l", j.Spec.TypicalL)
	}
	f.float("low_c", j.Spec.LowC)
	f.float("high_c", j.Spec.HighC)
	if r := j.Judged(); r != nil {
		f.text("level", string(r.Result))
		f.text("level_window", string(r.Window))
		if r.TempC != nil {
			f.float("level_c", *r.TempC)
		}
	}
	for _, sc := range s.Setup.Scales {
		if c := sc.Calibration; c != nil {
			name := "caddy"
			if sc.Load == fillcalc.SupplyLoad {
				name = "supply"
			}
			f.float(name+"_slope", c.Slope)
			f.int(name+"_calibrated_ns", c.AtNs)
		}
	}
	f.checks(s.UseChecks())
	if s.Clock != nil {
		f.float("clock_ahead_s", float64(s.Clock.AheadNs)/1e9)
		if s.Clock.Unset {
			f.text("clock", "unset")
		}
	}
	f.text("chain_from", chain.JobHead.String())
	f.end(s.Seq, chain.Head, key)
	return Published{Seq: s.Seq, Measurement: JobMeasurement, Fields: string(f.b)}
}

// checks writes what the job says about its instruments, the first check of each kind, with
// expanded uncertainties (k = 2).
func (f *fields) checks(list []fillcalc.UseCheck) {
	written := map[fillcalc.UseCheckKind]bool{}
	for _, c := range list {
		if written[c.Kind] {
			continue
		}
		written[c.Kind] = true
		name, unit := "check_"+string(c.Kind), ""
		if c.Kind == fillcalc.CheckZero {
			unit = "_kg"
		}
		f.float(name+unit, c.Value)
		f.float(name+"_u"+unit, 2*c.U)
		f.text(name+"_sensor", c.Sensor)
	}
}
