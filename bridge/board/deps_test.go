package board

import (
	"os/exec"
	"slices"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
)

// The board is an MQTT client with a page. It must not need the bridge's database,
// broker, history, serial ports or metrics, so that it can become a program of its
// own. A new line here is a decision: think before you add one.
func TestDependencies(t *testing.T) {
	want := []string{
		"bayfill/bridge/board",
		"bayfill/bridge/build",
		"bayfill/bridge/chart",
		"bayfill/bridge/door",
		"bayfill/bridge/mqtt",
		"bayfill/bridge/typo",
		"bayfill/bridge/units",
		"bayfill/bridge/wire",
		"bayfill/bridge/words",
		"bayfill/fillcalc",
		"bayfill/sensors/direct",
		"github.com/agnivade/levenshtein",
		"github.com/eclipse/paho.mqtt.golang",
		"github.com/eclipse/paho.mqtt.golang/packets",
		"github.com/gorilla/websocket",
		"golang.org/x/net/internal/socks",
		"golang.org/x/net/proxy",
		"golang.org/x/sync/semaphore",
	}
	out, err := exec.Command(bridgetest.NeedProgram(t, "go"), "list", "-deps", "-f", "{{if not .Standard}}{{.ImportPath}}{{end}}", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Fields(string(out))
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("the board depends on\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
