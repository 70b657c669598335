// Package schema holds the published contract: a JSON Schema (2020-12) for each leaf,
// and an AsyncAPI 3 document that refers to them.
package schema

import (
	"embed"
	"fmt"
	"slices"
	"strings"
)

// Base is what the $id of each schema begins with: a name, with the version of the
// contract, under which a program may keep them. Nothing is served there.
const Base = "https://bayfill.example/contract/1/"

//go:embed *.json asyncapi.yaml
var files embed.FS

// Names lists the leaves that have a schema, in alphabetical order.
func Names() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic("schema: " + err.Error()) // the files are part of the program
	}
	var names []string
	for _, e := range entries {
		if leaf, ok := strings.CutSuffix(e.Name(), ".json"); ok {
			names = append(names, leaf)
		}
	}
	return names
}

// File returns the file with a name: LEAF.json or asyncapi.yaml. The files refer to
// each other by these names. The error lists all names.
func File(name string) ([]byte, error) {
	known := []string{"asyncapi.yaml"}
	for _, leaf := range Names() {
		known = append(known, leaf+".json")
	}
	if !slices.Contains(known, name) {
		return nil, fmt.Errorf("schema: there is no %q, there are %s", name, strings.Join(known, ", "))
	}
	return files.ReadFile(name)
}
