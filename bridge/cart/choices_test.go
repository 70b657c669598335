package cart

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
)

// TestChoicesFollowTheFolder checks that the leaf choices names the configured fluids and
// the files of the folder, and that a file appears and goes within about ten seconds.
func TestChoicesFollowTheFolder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines)
		config.ServiceData = t.TempDir()
		write := func(name string) {
			text := strings.NewReplacer("name: van6", "name: "+name, "fluid: amber", "fluid: fresh").Replace(bridgetest.SmallServiceData)
			if err := os.WriteFile(filepath.Join(config.ServiceData, name+".yaml"), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		write("van6")
		l := startLonely(t, config)
		names := func() (text string) {
			for _, d := range newest[wire.Choices](l, wire.ChoicesLeaf).ServiceData {
				text += d.Name + " "
			}
			return text
		}
		l.live(1, 0, 0)
		m := newest[wire.Choices](l, wire.ChoicesLeaf)
		if len(m.Fluids) != 2 || m.Fluids[0].Name != "fresh" || m.Fluids[0].MeasuredHere || m.Fluids[0].AtC != 20 {
			t.Errorf("fluids: %+v", m.Fluids)
		}
		if d := m.ServiceData[0]; len(m.ServiceData) != 1 || d.Name != "van6" || d.Fluid != "fresh" || d.Check != "dipstick" || d.Jobs != 0 {
			t.Errorf("service data: %+v", m.ServiceData)
		} else {
			near(t, "typical", d.TypicalL, 4.2*0.946352946, 1e-4) // a US quart: NIST SP 811, appendix B
			near(t, "window", d.LowC, 35, 1e-9)
			near(t, "torque", d.BoltTorqueNM, 97*0.1129848290276, 1e-4) // an inch-pound: NIST SP 811, appendix B
		}
		write("coupe4")
		time.Sleep(11 * time.Second)
		if got := names(); got != "coupe4 van6 " {
			t.Errorf("after a file was added: %q", got)
		}
		if err := os.RemoveAll(config.ServiceData); err != nil {
			t.Fatal(err)
		}
		time.Sleep(11 * time.Second)
		if got := names(); got != "" {
			t.Errorf("without the folder: %q", got)
		}
		if n := len(l.all(string(wire.ChoicesLeaf))); n != 3 {
			t.Errorf("published %d times, want 3", n)
		}
	})
}
