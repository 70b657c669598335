package study

import (
	"reflect"
	"strings"
	"testing"

	"bayfill/fillcalc"
)

// Every world says what it is, differs from the base world, and can be played to the end.
func TestWorlds(t *testing.T) {
	names := Worlds()
	if len(names) < 30 || names[0] != base {
		t.Fatalf("%q", names)
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			d, err := World(name)
			if err != nil {
				t.Fatal(err)
			}
			if same := reflect.DeepEqual(d, DefaultDistribution()); same != (name == base) {
				t.Errorf("the same as distribution.yaml: %v", same)
			}
			if text, _ := worldFiles.ReadFile("worlds/" + name + ".yaml"); !strings.HasPrefix(string(text), "# ") {
				t.Error("no comment says what this world is")
			}
			j := Play(d, 1, 1, nil)
			for _, f := range []Figure{j.Drained, j.Added, j.Balance} {
				if !(f.UL > 0) || !(f.TrueL > -20 && f.TrueL < 20) {
					t.Errorf("%+v", f)
				}
			}
		})
	}
	if _, err := World("calm"); err == nil || !strings.Contains(err.(*fillcalc.Refusal).Names["choices"], "wind_25") {
		t.Errorf("%v", err)
	}
}

// Worlds with the same vehicles play the same jobs, so that they can be compared job by
// job.
func TestWorldsPlayTheSameJobs(t *testing.T) {
	windy, err := World("wind_25")
	if err != nil {
		t.Fatal(err)
	}
	for number := range uint64(5) {
		quiet, wind := newPlay(DefaultDistribution(), 3, number, nil).drawn, newPlay(windy, 3, number, nil).drawn
		for i := range wind.scales {
			if wind.scales[i].WindKg != 0.025 {
				t.Errorf("job %d: wind of %g kg", number, wind.scales[i].WindKg)
			}
			wind.scales[i].Surroundings = quiet.scales[i].Surroundings
		}
		if !reflect.DeepEqual(quiet, wind) {
			t.Errorf("job %d:\n%+v\n%+v", number, quiet, wind)
		}
	}
}

// In these worlds the technician pours from bottles, and fluid runs over.
func TestBottlesAndOverflowArePlayed(t *testing.T) {
	for world, want := range map[string]string{"bottles": "empty bottle thrown away", "overflow": "run out of the check opening", "rags": "rag of"} {
		d, err := World(world)
		if err != nil {
			t.Fatal(err)
		}
		var log strings.Builder
		for number := 1; number <= 4; number++ {
			Play(d, 1, number, &log)
		}
		if !strings.Contains(log.String(), want) {
			t.Errorf("%s: no %q in\n%s", world, want, log.String())
		}
	}
}
