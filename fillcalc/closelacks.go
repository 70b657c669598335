package fillcalc

import (
	"slices"
	"strings"
)

// CloseLacks asks back before a job is closed of which something is missing: what it is, and
// which verdict the job would get; nil if it may be closed. The fold does not ask this itself,
// because it must accept in a replay what was done live.
func (s *State) CloseLacks() error {
	j := &s.Job
	var lacks []string
	for _, p := range [...]Phase{Draining, Filling, Running, Checking} {
		if !slices.ContainsFunc(j.Phases, func(at PhaseAt) bool { return at.Phase == p }) {
			lacks = append(lacks, "no_"+string(p))
		}
	}
	if _, left := s.passLeft(); left {
		lacks = append(lacks, "passes")
	}
	v := s.Verdict(DefaultToleranceL)
	key, f := "refuse.close_lacks", figures(nil)
	for _, c := range v.Criteria {
		for _, r := range c.Reasons {
			lack := lackOf[r.Key]
			switch {
			case lack == "" || r.Outcome == Passed || lack == "level_open" && slices.Contains(lacks, "no_checking"), c.Name == "amount" && s.levelDecides():
				continue
			case r.Key == "verdict.missing":
				key, f = "refuse.close_missing", figures{"missing_l": r.Figures["missing_l"]}
			case r.Key == "verdict.too_much":
				key, f = "refuse.close_over", figures{"over_l": r.Figures["over_l"]}
			}
			lacks = append(lacks, lack)
		}
	}
	if len(lacks) == 0 {
		return nil
	}
	return askBack("do", key, f, names{"outcome": string(v.Outcome), "lack": strings.Join(lacks, " ")})
}

// levelDecides reports whether the level was judged right inside the window, and the scales do not
// contradict it so much that it is to be judged once more.
func (s *State) levelDecides() bool {
	judged := s.Job.recorded(LevelAfter)
	if judged == nil || judged.Result != Right || !inside(judged.Window) {
		return false
	}
	_, contradicted := s.contradicted(s.missingL())
	return !contradicted
}

// lackOf are the words for what a person can still mend, by the reason of the verdict.
var lackOf = map[string]string{
	"verdict.missing":          "little",
	"verdict.too_much":         "much",
	"verdict.no_added":         "not_entered",
	"verdict.no_level":         "level_open",
	"verdict.level_not_judged": "level_open",
	"verdict.level_judged":     "level_wrong",
	"verdict.level_moved":      "level_moved",
}

// Lacks lists all words of the name lack.
func Lacks() (list []string) {
	list = append(list, "passes")
	for _, p := range [...]Phase{Draining, Filling, Running, Checking} {
		list = append(list, "no_"+string(p))
	}
	for _, word := range lackOf {
		list = append(list, word)
	}
	return list
}
