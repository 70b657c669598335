package cart

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/fillcalc"
)

// threeJobs returns three jobs, one after the other in one journal, each after a start
// with another setup, the last still open; and the states at the end of each.
func threeJobs(t *testing.T, names ...string) (events []fillcalc.Event, ends []fillcalc.State) {
	t.Helper()
	job := aJob(t)
	var s fillcalc.State
	for n, name := range names {
		for _, e := range job {
			e.Seq = s.Seq + 1
			e.AtNs += int64(n) * int64(time.Hour)
			if e.Input != nil {
				in := *e.Input
				e.Input = &in
				if in.Setup != nil {
					// Each run is configured with a worse scale.
					setup := *in.Setup
					setup.Scales = slices.Clone(setup.Scales)
					setup.Scales[0].GainU *= float64(n + 1)
					in.Setup = &setup
				}
				switch {
				case in.Do == fillcalc.DoOpen:
					spec := *in.Job
					spec.ID = name
					in.Job = &spec
				case in.Do == fillcalc.DoClose && n == len(names)-1:
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

// TestJobState folds a finished job again, to the last bit, whatever came after it,
// wherever the snapshot is, and while the program has the journal open. A job that is
// no longer in the journal is refused, not guessed.
func TestJobState(t *testing.T) {
	events, ends := threeJobs(t, "job-1", "job-2", "job-3")
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
		path := filepath.Join(bridgetest.MemoryDir(t), "a.journal")
		j := journaltest.Open(t, path)
		b := journal.Batch{Events: events}
		if at > 0 {
			var s fillcalc.State
			for _, e := range events[:at] {
				s = fillcalc.Apply(s, e)
			}
			b.Snapshot = &s
		}
		journaltest.Append(t, j, b)
		reader, err := journal.OpenReadOnly(path) // while j has it open
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range ends {
			got, err := reader.JobState(t.Context(), want.Job.Spec.ID)
			if err != nil || bridgetest.Bits(got) != bridgetest.Bits(want) {
				t.Errorf("snapshot %s: job-%d: %v, %+v, want %+v", name, i+1, err, got.Volumes(), want.Volumes())
			}
		}
		if got, err := reader.JobState(t.Context(), ""); err != nil || got.Job.Spec.ID != "job-3" {
			t.Errorf("the newest: %s, %v", got.Job.Spec.ID, err)
		}
		if _, err := reader.JobState(t.Context(), "job-4"); err == nil || err.Error() != `job: the journal has no "job-4", it has job-3, job-2, job-1` {
			t.Errorf("a job that does not exist: %v", err)
		}
		if err := reader.Append(t.Context(), journal.Batch{Events: bridgetest.Weights(uint64(len(events)+1), 1)}); err == nil {
			t.Error("a reader may write")
		}

		// Pruned within the first job: the others are unchanged.
		prune := func(n int) {
			t.Helper()
			if _, err := j.Prune(t.Context(), time.Unix(0, math.MaxInt64), uint64(n), false); err != nil {
				t.Fatal(err)
			}
		}
		refused := func(job string) {
			t.Helper()
			if got, err := reader.JobState(t.Context(), job); err == nil || !strings.Contains(err.Error(), `the journal does not keep all readings of "`+job+`"`) && !strings.Contains(err.Error(), `has no "`+job+`"`) {
				t.Errorf("snapshot %s: %s: %v, %+v", name, job, err, got.Volumes())
			}
		}
		if at < one {
			continue // only what a snapshot covers is pruned
		}
		prune(one / 2)
		if at != one {
			refused("job-1")
		} else if got, err := reader.JobState(t.Context(), "job-1"); err != nil || bridgetest.Bits(got) != bridgetest.Bits(ends[0]) {
			t.Errorf("the first, from the snapshot at its end: %v", err)
		}
		for i := 1; i < 3; i++ {
			// The scales' history from before the start is gone, and nothing depends on it.
			got, err := reader.JobState(t.Context(), ends[i].Job.Spec.ID)
			if err != nil || figuresOf(&got) != figuresOf(&ends[i]) || !slices.Equal(got.BalanceBudget(), ends[i].BalanceBudget()) {
				t.Errorf("snapshot %s, pruned: job-%d: %v, %+v", name, i+1, err, got.Volumes())
			}
		}
		if at == len(events) {
			prune(len(events))
			refused("job-2")
			if got, err := reader.JobState(t.Context(), ""); err != nil || bridgetest.Bits(got) != bridgetest.Bits(ends[2]) {
				t.Errorf("an open job of which only the snapshot is left: %v", err)
			}
		}
		reader.Close()
	}
}

// TestJobStateAcrossHoles checks that of two jobs with one name the newer is meant,
// also when the snapshot has the older; and that no job is guessed across a hole in the
// readings.
func TestJobStateAcrossHoles(t *testing.T) {
	events, ends := threeJobs(t, "van", "van", "bus")
	one := len(events) / 3
	begins := one + slices.IndexFunc(events[one:], func(e fillcalc.Event) bool { return e.Input != nil && e.Input.Do == fillcalc.DoOpen })
	for _, c := range []struct {
		name, missing string
		right         []int // of the jobs
	}{
		{"all there", "seq < 0", []int{1, 2}},
		{"in the first job", "seq = 40", []int{1, 2}},
		{"between a start and its job", fmt.Sprintf("seq BETWEEN %d AND %d", one+1, begins), []int{1, 2}},
		{"in the second job", fmt.Sprintf("seq = %d", begins+50), []int{2}},
		{"in the last job", fmt.Sprintf("seq = %d", len(events)-50), []int{1}},
	} {
		j := journaltest.Open(t, filepath.Join(bridgetest.MemoryDir(t), "a.journal"))
		journaltest.Append(t, j, journal.Batch{Events: events, Snapshot: &ends[0]})
		if _, err := j.DB.Exec("DELETE FROM event WHERE " + c.missing); err != nil {
			t.Fatal(err)
		}
		for i, job := range map[int]string{1: "van", 2: "bus"} {
			got, err := j.JobState(t.Context(), job)
			switch {
			case !slices.Contains(c.right, i):
				if err == nil || !strings.Contains(err.Error(), "does not keep all readings") {
					t.Errorf("%s: %s: %v, %+v", c.name, job, err, got.Volumes())
				}
			case err != nil || figuresOf(&got) != figuresOf(&ends[i]):
				t.Errorf("%s: %s: %v, %+v, want %+v", c.name, job, err, got.Volumes(), ends[i].Volumes())
			}
		}
	}
}
