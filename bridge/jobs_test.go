package bridge

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/fillcalc"
)

// threeJobs are one after the other in one journal, each after a start with
// another setup, the last still open; and the states at the end of each.
func threeJobs(t *testing.T) (events []fillcalc.Event, ends []fillcalc.State) {
	t.Helper()
	job := aJob(t)
	var s fillcalc.State
	for n := 1; n <= 3; n++ {
		for _, e := range job {
			e.Seq = s.Seq + 1
			e.AtNs += int64(n) * int64(time.Hour)
			if e.Input != nil {
				in := *e.Input
				e.Input = &in
				switch {
				case in.Do == fillcalc.DoOpen:
					spec := *in.Job
					spec.ID = fmt.Sprintf("job-%d", n)
					in.Job = &spec
				case in.Do == fillcalc.DoStart:
					// Each run is told that the scale is worse.
					setup := *in.Setup
					setup.Scales = slices.Clone(setup.Scales)
					setup.Scales[0].GainU *= float64(n)
					in.Setup = &setup
				case in.Do == fillcalc.DoClose && n == 3:
					continue
				}
			}
			s = fillcalc.Apply(s, e)
			events = append(events, e)
		}
		ends = append(ends, s)
	}
	return events, ends
}

// What a job came to is folded again to the last bit, whatever came after it,
// wherever the snapshot is, and beside the program that has the journal. What is
// no longer kept is refused, not guessed.
func TestJobState(t *testing.T) {
	events, ends := threeJobs(t)
	one := len(events) / 3
	for i, s := range ends {
		if want := fmt.Sprintf("job-%d", i+1); s.Job.Spec.ID != want || s.Job.Phase.Open() != (i == 2) {
			t.Fatalf("job %d is %s, %s", i+1, s.Job.Spec.ID, s.Job.Phase)
		}
	}
	if a, b := ends[0].Volumes().DrainedUL, ends[1].Volumes().DrainedUL; !(a > 0.001) || !(b > a) {
		t.Fatalf("the setups make no difference: ± %v and ± %v L", a, b)
	}
	snapshots := map[string]int{"none": 0, "at the end of the first": one, "after the second began": one + 20, "in the middle of the second": 3 * one / 2, "the last": len(events)}
	for name, at := range snapshots {
		path := filepath.Join(memoryDir(t), "a.journal")
		j := openTestJournal(t, path)
		b := Batch{Events: events}
		if at > 0 {
			var s fillcalc.State
			for _, e := range events[:at] {
				s = fillcalc.Apply(s, e)
			}
			b.Snapshot = &s
		}
		mustAppend(t, j, b)
		reader, err := ReadJournal(path) // while j has it
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range ends {
			got, err := reader.jobState(t.Context(), want.Job.Spec.ID)
			if err != nil || bits(got) != bits(want) {
				t.Errorf("snapshot %s: job-%d: %v, %+v, want %+v", name, i+1, err, got.Volumes(), want.Volumes())
			}
		}
		if got, err := reader.jobState(t.Context(), ""); err != nil || got.Job.Spec.ID != "job-3" {
			t.Errorf("the newest: %s, %v", got.Job.Spec.ID, err)
		}
		if _, err := reader.jobState(t.Context(), "job-4"); err == nil || err.Error() != `job: the journal has no "job-4", it has job-3, job-2, job-1` {
			t.Errorf("a job that there is not: %v", err)
		}
		if err := reader.Append(t.Context(), Batch{Events: weights(uint64(len(events)+1), 1)}); err == nil {
			t.Error("a reader may write")
		}

		// Pruned in the first job: the others are as they were.
		prune := func(n int) {
			t.Helper()
			if err := j.Prune(t.Context(), time.Unix(0, math.MaxInt64), uint64(n), false); err != nil {
				t.Fatal(err)
			}
		}
		refused := func(job string) {
			t.Helper()
			if got, err := reader.jobState(t.Context(), job); err == nil || !strings.Contains(err.Error(), `of "`+job+`" the journal does not keep all`) && !strings.Contains(err.Error(), `has no "`+job+`"`) {
				t.Errorf("snapshot %s: %s: %v, %+v", name, job, err, got.Volumes())
			}
		}
		if at < one {
			continue // nothing is pruned that no snapshot covers
		}
		prune(one / 2)
		if at != one {
			refused("job-1")
		} else if got, err := reader.jobState(t.Context(), "job-1"); err != nil || bits(got) != bits(ends[0]) {
			t.Errorf("the first, from the snapshot at its end: %v", err)
		}
		for i := 1; i < 3; i++ {
			// The scales' own past from before the start is gone, and nothing hangs on it.
			got, err := reader.jobState(t.Context(), ends[i].Job.Spec.ID)
			if err != nil || figuresOf(&got) != figuresOf(&ends[i]) || !slices.Equal(got.BalanceBudget(), ends[i].BalanceBudget()) {
				t.Errorf("snapshot %s, pruned: job-%d: %v, %+v", name, i+1, err, got.Volumes())
			}
		}
		if at == len(events) {
			prune(len(events))
			refused("job-2")
			if got, err := reader.jobState(t.Context(), ""); err != nil || bits(got) != bits(ends[2]) {
				t.Errorf("an open job of which only the snapshot is left: %v", err)
			}
		}
		reader.Close()
	}
}
