package audit

import (
	"encoding/csv"
	"io"
	"math"
	"time"

	"bayfill/fillcalc"
)

// maxSilentRows limits the rows of a time without an event to a day. One forged time
// would otherwise make centuries of rows.
const maxSilentRows int64 = 24 * 3600

// WriteCSV writes the course of a job: the state of the fold at each whole second and
// at the end of the job. A silence has the rows of one day at most. Weights are kg as
// the scale shows them, litres are at reference_c, u is expanded (k = 2), fluid_c is
// corrected, times are RFC 3339 in UTC. A cell is empty when the value was unknown at
// that moment.
func WriteCSV(w io.Writer, rep *Report) error {
	out := csv.NewWriter(w)
	scales := rep.state.Setup.Scales
	head := []string{"time", "phase"}
	for _, sc := range scales {
		head = append(head, cell(sc.Sensor+"_shown_kg"))
	}
	head = append(head, "reference_c", "drained_l", "drained_u_l", "added_l", "added_u_l", "undecided_l", "fluid_c", "window", "quality")
	if err := out.Write(head); err != nil {
		return err
	}
	shown := make([]fillcalc.Event, len(scales)) // the last frame of each scale
	row := func(s *fillcalc.State) error {
		v, window := s.Volumes(), s.CheckWindow()
		cells := []string{time.Unix(0, s.NowNs).UTC().Format(time.RFC3339Nano), cell(string(s.Job.Phase))}
		for _, e := range shown {
			kg := math.NaN()
			if e.AtNs != 0 && s.NowNs-e.AtNs <= fillcalc.ScaleSilentNs && !e.Faults.Hidden() {
				kg = e.Value
			}
			cells = append(cells, cell(kg))
		}
		for _, figure := range []float64{s.Job.ReferenceC, v.DrainedL, v.DrainedUL, v.AddedL, v.AddedUL, v.UndecidedL, window.TempC} {
			cells = append(cells, cell(figure))
		}
		return out.Write(append(cells, cell(string(window.State)), cell(v.Quality.String())))
	}
	var s fillcalc.State
	const second = int64(time.Second)
	for i := range rep.events {
		e := &rep.events[i]
		if i > 0 {
			from := (s.NowNs + second - 1) / second * second
			for n := range maxSilentRows {
				ns := from + n*second
				if ns < s.NowNs || ns >= e.AtNs {
					break
				}
				// A tick at that moment: what was known then, without later events.
				at := fillcalc.Apply(s, fillcalc.Event{Seq: s.Seq, AtNs: ns, Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoTick}})
				if err := row(&at); err != nil {
					return err
				}
			}
		}
		s = fillcalc.Apply(s, *e)
		for k := range scales {
			if e.Kind == fillcalc.KindWeight && e.Sensor == scales[k].Sensor {
				shown[k] = *e
			}
		}
	}
	if len(rep.events) > 0 {
		if err := row(&s); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
