package fillcalc

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

// TestNoFusedArithmetic compiles the package for arm64, where Go fuses a
// product and a sum into one rounding unless told not to, and looks for fused
// instructions in the code that came out. The Go specification (Floating-point
// operators) allows the fusing; an audit on another processor would then
// differ in the last bit.
func TestNoFusedArithmetic(t *testing.T) {
	if testing.Short() {
	}
	cmd := exec.Command("go", "build", "-gcflags=bayfill/fillcalc=-S", "-o", os.DevNull, "bayfill/fillcalc")
	cmd.Env = append(os.Environ(), "GOARCH=arm64", "GOOS=linux", "CGO_ENABLED=0", "GOFLAGS=")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("building for arm64: %v\n%s", err, out)
	}
	listing := string(out)
	if !strings.Contains(listing, "FMULD") {
		t.Fatal("the listing shows no multiplication at all: the test looks at the wrong thing")
	}
	fused := regexp.MustCompile(`\((\S+\.go:\d+)\)\s+(FN?M(?:ADD|SUB)[DS])`)
	seen := map[string]bool{}
	for _, m := range fused.FindAllStringSubmatch(listing, -1) {
		if !seen[m[1]] {
			seen[m[1]] = true
			t.Errorf("%s: %s fuses a product and a sum: round the product with float64(...)", m[1], m[2])
		}
	}
}
