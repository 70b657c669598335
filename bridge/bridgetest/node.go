package bridgetest

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Node returns a function that makes a command of Node which finds a module of npm. Where
// the module is missing, the test skips; under CI=true it fails.
func Node(t testing.TB, module string) func(args ...string) *exec.Cmd {
	t.Helper()
	modules := os.Getenv("NODE_PATH")
	node := func(args ...string) *exec.Cmd {
		cmd := exec.CommandContext(t.Context(), "node", args...)
		cmd.Env = append(os.Environ(), "NODE_PATH="+modules)
		return cmd
	}
	find := func() error { return node("-e", `require.resolve(process.argv[1])`, module).Run() }
	if find() == nil {
		return node
	}
	global, _ := exec.CommandContext(t.Context(), "npm", "root", "-g").Output()
	modules = strings.TrimSpace(string(global))
	switch err := find(); {
	case err == nil:
	case os.Getenv("CI") == "true":
		t.Fatalf("node does not find %s: .ci/test installs it (%v)", module, err)
	default:
		t.Skipf("node does not find %s: bash .ci/test installs it (%v)", module, err)
	}
	return node
}
