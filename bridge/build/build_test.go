package build

import (
	"runtime/debug"
	"testing"
)

// The keys are those that "go help buildvcs" and the documentation of
// runtime/debug.BuildSetting name.
func TestString(t *testing.T) {
	const commit = "1a2b3c4d5e6f708192a3b4c5d6e7f80910a1b2c3"
	for _, c := range []struct {
		name     string
		settings []debug.BuildSetting
		want     string
	}{
		{"release", []debug.BuildSetting{{Key: "vcs.revision", Value: commit}, {Key: "vcs.modified", Value: "false"}}, Version + " 1a2b3c4d5e6f go1.26.0"},
		{"modified", []debug.BuildSetting{{Key: "vcs.revision", Value: commit}, {Key: "vcs.modified", Value: "true"}}, Version + " 1a2b3c4d5e6f modified go1.26.0"},
		{"go run", nil, Version + " unknown-commit go1.26.0"},
		{"short name", []debug.BuildSetting{{Key: "vcs.revision", Value: "1a2b"}}, Version + " 1a2b go1.26.0"},
	} {
		if got := of(&debug.BuildInfo{GoVersion: "go1.26.0", Settings: c.settings}).String(); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
