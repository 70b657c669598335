package bridge

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// Every test that FAULTS.md names exists in its package.
func TestFaultsAreTested(t *testing.T) {
	root := filepath.Dir(bridgetest.Testdata(t))
	named := regexp.MustCompile("`([a-z/]+)\\.((?:Test|Fuzz)\\w+)`").FindAllStringSubmatch(string(bridgetest.ReadFile(t, "FAULTS.md")), -1)
	if len(named) < 50 {
		t.Errorf("FAULTS.md names %d tests only: this tests nothing", len(named))
	}
	tests := map[string]string{} // the source of a package's tests
	for _, n := range named {
		folder, name := n[1], n[2]
		if tests[folder] == "" {
			tests[folder] = testSource(t, filepath.Join(root, folder))
		}
		if !strings.Contains(tests[folder], "\nfunc "+name+"(") {
			t.Errorf("FAULTS.md names %s.%s, which does not exist", folder, name)
		}
	}
}

// testSource reads all test files of a folder.
func testSource(t *testing.T, folder string) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	return all.String()
}
