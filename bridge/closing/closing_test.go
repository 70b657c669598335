package closing

import (
	"fmt"
	"math"
	"testing"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/units"
	"bayfill/fillcalc"
)

// job is the closing record of a job that was done to its end.
func job(day int, cart, data string, outL, addedL float64) Record {
	p := points.Point{Measurement: points.JobMeasurement, AtNs: time.Date(2026, 1, day, 12, 0, 0, 0, time.Local).UnixNano(), Fields: points.Fields{
		"job": fmt.Sprintf("%s-%d", cart, day), "phase": "closed", "fluid": "amber 6", "service_data": data, "passes": int64(1),
		"out_l": outL, "drained_l": outL, "added_l": addedL, "overflow_l": 0.1, "target_l": outL + 0.05, "level": "right",
	}}
	return Of("hilltop", cart, &p)
}

// with changes a record.
func with(r Record, change func(*Record)) Record {
	change(&r)
	return r
}

// What is usual comes from closed jobs of one pass with these service data, on all carts, and
// from the newest ones only.
func TestUsual(t *testing.T) {
	s := NewShop(&config.Stock{})
	for day, outL := range []float64{4.2, 4.4, 4.3, 4.6} {
		s.Add(job(day+1, "bay2", "van6", outL, 4.3))
	}
	if u := s.Usual("van6"); u.Jobs != 4 || !math.IsNaN(u.OutL) || u.ForJob() != nil {
		t.Errorf("after four jobs: %+v", u)
	}
	for _, r := range []Record{
		job(9, "bay2", "saloon4", 7, 7),
		job(9, "bay2", "", 7, 7),
		with(job(9, "bay2", "van6", 7, 7), func(r *Record) { r.Phase = fillcalc.Abandoned }),
		with(job(9, "bay2", "van6", 7, 7), func(r *Record) { r.Passes = 2 }),
		with(job(9, "bay2", "van6", 7, 7), func(r *Record) { r.OutL = math.NaN() }),
		with(job(9, "bay2", "van6", 7, 7), func(r *Record) { r.TargetL = math.NaN() }),
	} {
		s.Add(r)
	}
	if u := s.Usual("van6"); u.Jobs != 4 {
		t.Errorf("other jobs count: %+v", u)
	}
	s.Add(with(job(5, "bay3", "van6", 4.1, 4.3), func(r *Record) { r.Level = fillcalc.Low }))
	s.Add(job(6, "bay3", "van6", 4.3, 4.3))
	s.Add(job(7, "bay3", "van6", 2.0, 4.3))
	// By hand: see TestUsualOf in fillcalc.
	const outL, uL = 4.3, 2 * 1.4826 * 1.140 * 0.1
	u := s.Usual("van6")
	if u.Jobs != 7 || math.Abs(u.OutL-outL) > 1e-12 || math.Abs(u.OutUL-uL) > 1e-12 || math.Abs(u.TargetL-4.35) > 1e-12 || u.Right != 6 || u.Low != 1 || u.High != 0 {
		t.Errorf("%+v", u)
	}
	if f := u.ForJob(); f.Jobs != 7 || f.OutL != u.OutL || f.UL != u.OutUL {
		t.Errorf("for a job: %+v", f)
	}
}

// A cart whose journal is read later may bring older jobs: the newest count.
func TestUsualOfTheNewest(t *testing.T) {
	s := NewShop(&config.Stock{})
	s.Add(job(2, "bay2", "van6", 1, 1))
	for day := range mostUsual {
		s.Add(job(31+day, "bay2", "van6", 5, 5))
	}
	s.Add(job(1, "bay3", "van6", 1, 1))
	if u := s.Usual("van6"); u.Jobs != mostUsual || u.OutL != 5 || u.OutUL != 0.1 {
		t.Errorf("of the newest: %+v", u)
	}
}

// What was used and collected, by period, cart and fluid. An abandoned job counts, a volume
// that is not known does not.
func TestAccount(t *testing.T) {
	records := []Record{
		job(30, "bay2", "van6", 4, 4.2), job(30, "bay2", "van6", 3, 3.1), job(31, "bay3", "", 5, 5.5), job(32, "bay2", "", 1, 1.5),
		with(job(30, "bay2", "", 2, 0.5), func(r *Record) { r.Phase = fillcalc.Abandoned }),
		with(job(30, "bay2", "", math.NaN(), -0.002), func(r *Record) { r.Fluid = "ruby"; r.OverflowL = math.NaN() }),
	}
	show := func(rows []Used) (text string) {
		for _, r := range rows {
			text += fmt.Sprintf("%s %s/%s %s %d %.2f %.2f\n", r.Period, r.Shop, r.Cart, r.Fluid, r.Jobs, r.FreshL, r.WasteL)
		}
		return text
	}
	const days = `2026-01-30 hilltop/bay2 amber 6 3 7.80 9.30
2026-01-30 hilltop/bay2 ruby 1 0.00 0.00
2026-01-31 hilltop/bay3 amber 6 1 5.50 5.10
2026-02-01 hilltop/bay2 amber 6 1 1.50 1.10
`
	if got := show(Account(records, ByDay, time.Local)); got != days {
		t.Errorf("by day:\n%s", got)
	}
	const months = `2026-01 hilltop/bay2 amber 6 3 7.80 9.30
2026-01 hilltop/bay2 ruby 1 0.00 0.00
2026-01 hilltop/bay3 amber 6 1 5.50 5.10
2026-02 hilltop/bay2 amber 6 1 1.50 1.10
`
	if got := show(Account(records, ByMonth, time.Local)); got != months {
		t.Errorf("by month:\n%s", got)
	}
}

// The stock is what was counted and bought, less what jobs have used since, and the container
// holds what they have collected since it was emptied.
func TestStock(t *testing.T) {
	l := func(l float64) units.Volume { return units.Volume{L: l} }
	s := NewShop(&config.Stock{
		Fluids: []config.FluidStock{
			{Fluid: "amber 6", Counted: l(20), Date: "2026-01-10", Bought: []config.Bought{{Volume: l(5), Date: "2026-01-12"}}, Low: l(15)},
			{Fluid: "ruby", Counted: l(3), Date: "2026-01-10"},
		},
		Waste: &config.Waste{Holds: l(20), Full: l(18), Emptied: "2026-01-15"},
	})
	s.Add(job(9, "bay2", "van6", 4, 4))  // before
	s.Add(job(10, "bay2", "van6", 4, 5)) // before the container was emptied
	s.Add(job(15, "bay3", "", 8, 4.9))
	now := s.Stock()
	if f := now.Fluids[0]; f.HadL != 25 || f.UsedL != 9.9 || f.LeftL != 15.1 || f.Low() {
		t.Errorf("%+v", f)
	}
	if w := now.Waste; w.CollectedL != 8.1 || w.Full() {
		t.Errorf("%+v", w)
	}
	s.Add(job(16, "bay3", "", 9.9, 1))
	now = s.Stock()
	if f := now.Fluids[0]; !f.Low() {
		t.Errorf("%+v", f)
	}
	if f := now.Fluids[1]; f.LeftL != 3 || f.Low() {
		t.Errorf("%+v", f)
	}
	if w := now.Waste; !w.Full() {
		t.Errorf("%+v", w)
	}
}
