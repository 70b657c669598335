package study

import (
	"embed"
	"fmt"
	"strings"

	"bayfill/fillcalc"
)

//go:embed worlds/*.yaml
var worldFiles embed.FS

// Worlds lists the names of the worlds, in the order of the alphabet but base first.
// Each is a file in worlds: what differs from distribution.yaml, and why.
func Worlds() []string {
	files, err := worldFiles.ReadDir("worlds")
	if err != nil {
		panic("study: " + err.Error()) // cannot happen: the folder is embedded
	}
	names := []string{base}
	for _, f := range files {
		if name := strings.TrimSuffix(f.Name(), ".yaml"); name != base {
			names = append(names, name)
		}
	}
	return names
}

// base is the world that changes nothing; the others are compared with it.
const base = "base"

// World returns the distribution of a world. The error lists the names of all worlds.
func World(name string) (*Distribution, error) {
	text, err := worldFiles.ReadFile("worlds/" + name + ".yaml")
	if err != nil {
		return nil, &fillcalc.Refusal{Text: fillcalc.Text{Key: "usage.not_listed", Names: map[string]string{"typed": name, "choices": strings.Join(Worlds(), ", ")}}}
	}
	d, err := ParseDistribution(text)
	if err != nil {
		return nil, fmt.Errorf("worlds/%s.yaml: %w", name, err)
	}
	return d, nil
}
