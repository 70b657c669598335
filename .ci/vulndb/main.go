// Command vulndb lays the Go vulnerability database out as files for
// govulncheck, from the module that the database is kept in. It reads what
// "go mod download -json" says of that module, writes to the folder named by
// its only argument, and prints which database it is:
//
//	go mod download -json golang.org/x/vulndb@VERSION | go run main.go DIR
//	govulncheck -db file://DIR ./...
//
// The layout is that of the database's API: index/db.json, index/modules.json,
// index/vulns.json and ID/GO-YYYY-NNNN.json, none of them compressed.
package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// download is the part used here of what "go mod download -json" prints.
type download struct {
	Path    string
	Version string
	Error   string
	Info    string // the file with the version's date
	Dir     string
}

// entry is the part of a vulnerability that the indexes are made of.
type entry struct {
	ID       string   `json:"id"`
	Aliases  []string `json:"aliases"`
	Affected []struct {
		Package struct {
			Name string `json:"name"`
		} `json:"package"`
	} `json:"affected"`
}

// vuln is a vulnerability as the indexes name it. In index/modules.json it
// could also say the version that fixes it; without, govulncheck reads the
// vulnerability's own file for that.
type vuln struct {
	ID       string    `json:"id"`
	Modified time.Time `json:"modified"`
	Aliases  []string  `json:"aliases,omitempty"`
}

type module struct {
	Path  string `json:"path"`
	Vulns []vuln `json:"vulns"`
}

type meta struct {
	Modified time.Time `json:"modified"`
}

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: vulndb DIR <DOWNLOAD.json")
		os.Exit(2)
	}
	said, err := layOut(os.Stdin, os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, "vulndb:", err)
		os.Exit(1)
	}
	fmt.Println(said)
}

// layOut makes the database in the folder out and says which one it is.
func layOut(in io.Reader, out string) (string, error) {
	var from download
	if err := json.NewDecoder(in).Decode(&from); err != nil {
		return "", fmt.Errorf("what go mod download said: %w", err)
	}
	if from.Error != "" {
		return "", errors.New(from.Error)
	}

	// The module's entries bear no date: the published database takes theirs
	// from the history, which a module has not. The version's date stands in.
	var version struct{ Time time.Time }
	if err := read(from.Info, &version); err != nil {
		return "", err
	}
	date := version.Time

	osv := filepath.Join(from.Dir, "data", "osv")
	files, err := filepath.Glob(filepath.Join(osv, "*.json"))
	if err != nil {
		return "", err
	}
	if len(files) == 0 {
		return "", fmt.Errorf("no vulnerabilities in %s", osv)
	}
	slices.Sort(files)

	var vulns []vuln
	modules := make(map[string]*module)
	for _, file := range files {
		var e entry
		if err := read(file, &e); err != nil {
			return "", err
		}
		if e.ID == "" || e.ID != strings.TrimSuffix(filepath.Base(file), ".json") {
			return "", fmt.Errorf("%s: its ID is %q", file, e.ID)
		}
		vulns = append(vulns, vuln{ID: e.ID, Modified: date, Aliases: e.Aliases})
		for _, affected := range e.Affected {
			path := affected.Package.Name
			m := modules[path]
			if m == nil {
				m = &module{Path: path}
				modules[path] = m
			}
			// An entry can name a module more than once.
			if n := len(m.Vulns); n == 0 || m.Vulns[n-1].ID != e.ID {
				m.Vulns = append(m.Vulns, vuln{ID: e.ID, Modified: date})
			}
		}
	}
	var byPath []*module
	for _, path := range slices.Sorted(maps.Keys(modules)) {
		byPath = append(byPath, modules[path])
	}

	index := filepath.Join(out, "index")
	if err := os.MkdirAll(index, 0o755); err != nil {
		return "", err
	}
	for name, data := range map[string]any{
		"db.json":      meta{Modified: date},
		"modules.json": byPath,
		"vulns.json":   vulns,
	} {
		text, err := json.Marshal(data)
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(filepath.Join(index, name), text, 0o644); err != nil {
			return "", err
		}
	}
	// The entries are used as they are, where they are.
	if err := os.Symlink(osv, filepath.Join(out, "ID")); err != nil {
		return "", err
	}
	return fmt.Sprintf("module %s %s of %s, %d vulnerabilities",
		from.Path, from.Version, date.Format(time.DateOnly), len(files)), nil
}

// read decodes a JSON file.
func read(file string, into any) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	return nil
}
