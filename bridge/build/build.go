// Package build says which build of the program runs, so that an auditor can find the
// source of a figure a year later.
package build

import (
	"runtime/debug"
	"sync"
)

// Version is the version of the program; "-dev" says that it is not a release. It is a
// variable only for the test of an upgrade.
var Version = "0.1.0-dev"

// Build is what the Go toolchain knows of this build.
type Build struct {
	// Commit is the full name of the commit, empty for a build outside of version control,
	// as "go run" makes it.
	Commit string `json:"commit"`
	// Committed is the time of the commit in RFC 3339, UTC, empty without Commit.
	Committed string `json:"committed"`
	// Modified says that files had changed since the commit.
	Modified bool `json:"modified"`
	// Go is the version of the Go toolchain, as in "go1.26.0".
	Go string `json:"go"`
}

// Current returns this program's build.
var Current = sync.OnceValue(func() Build {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return Build{}
	}
	return of(info)
})

// of picks what a Build holds out of the toolchain's record.
func of(info *debug.BuildInfo) Build {
	b := Build{Go: info.GoVersion}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.time":
			b.Committed = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

// String returns version, commit and toolchain in one line without commas, as in
// "0.1.0 1a2b3c4d5e6f modified go1.26.0".
func (b Build) String() string {
	text := Version
	if b.Commit == "" {
		text += " unknown-commit"
	} else {
		text += " " + b.Commit[:min(12, len(b.Commit))]
	}
	if b.Modified {
		text += " modified"
	}
	return text + " " + b.Go
}
