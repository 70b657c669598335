package audit

import (
	"encoding/json"
	"strings"
	"testing"

	"bayfill/bridge/points"
	"bayfill/bridge/words"
)

// summaries are the closing records of invented jobs as a journal keeps them.
func summaries(t *testing.T, jobs []inventedJob) (list []Summary) {
	t.Helper()
	for _, j := range jobs {
		_, rest, _ := strings.Cut(j.line(), "fold=")
		fields, err := points.ParseFields("fold=" + rest[:strings.LastIndex(rest, " ")])
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, SummaryOf(points.Point{AtNs: j.atNs, Measurement: points.JobMeasurement, Fields: fields}, "hilltop", j.cart))
	}
	return list
}

// Journals alone say which scale has moved.
func TestFleetOfJournals(t *testing.T) {
	jobs := checkedFleet()
	jobs[3].phase = "abandoned"
	jobs[4].level, jobs[4].levelWindow, jobs[4].targetL = "right", "open", 4
	f := FleetOf(summaries(t, jobs), FleetQuery{SinceNs: jobs[0].atNs, UntilNs: fleetEnd.UnixNano()})
	said, abandoned, unjudged, noTarget := "", 0, 0, 0
	for _, g := range f.Carts {
		said += g.Name() + ": " + strings.Join(g.Drifts(words.Plain), "; ") + "\n"
		abandoned, unjudged = abandoned+int(g.Abandoned), unjudged+int(g.Unjudged)
		for _, p := range g.Balance.Points {
			if p.NoTarget {
				noTarget++
			}
		}
	}
	if len(f.Carts) != 4 || abandoned != 2 || unjudged != len(jobs)-3 || noTarget != len(jobs)-3 || !strings.Contains(said, "bay1: full bottles: scale pump has moved by +") {
		t.Errorf("%d abandoned, %d not judged, %d without a target:\n%s", abandoned, unjudged, noTarget, said)
	}
	checkFleetPage(t, f, "hilltop/bay1")
}

// sameAsJournals fails when a server gave other charts than journals give.
func sameAsJournals(t *testing.T, served *Fleet, jobs []inventedJob, q FleetQuery) {
	t.Helper()
	older := map[*FleetGroup][2][]FleetMean{} // which only a server gives
	for _, g := range served.Fluids {
		older[g] = [2][]FleetMean{g.Balance.Older, g.Refill.Older}
		g.Balance.Older, g.Refill.Older = nil, nil
	}
	want, _ := json.Marshal(served)
	for g, means := range older {
		g.Balance.Older, g.Refill.Older = means[0], means[1]
	}
	if got, _ := json.Marshal(FleetOf(summaries(t, jobs), q)); string(got) != string(want) {
		t.Errorf("from journals %.3000s\nfrom the server %.3000s", got, want)
	}
}
