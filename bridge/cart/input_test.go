package cart

import (
	"reflect"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestOpenWithServiceData checks that service data supply what the command open leaves
// out, and that values in the command override them.
func TestOpenWithServiceData(t *testing.T) {
	fluids := map[string]fillcalc.Fluid{"amber 6": {Name: "amber 6"}, "ruby old": {Name: "ruby old"}}
	d, err := config.FindServiceData(bridgetest.Testdata(t, "service-data"), "van6-overflow", nil)
	if err != nil {
		t.Fatal(err)
	}
	open := func(fields string) *fillcalc.JobSpec {
		cmd, err := wire.ParseCommand([]byte(`{"id":"1","do":"open","service_data":"van6-overflow","job":"a"` + fields + `}`))
		if err != nil {
			t.Fatal(err)
		}
		in, err := inputOf(&cmd, &d, fluids, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		return in.Job
	}
	want := d.Spec()
	want.ID, want.Fresh, want.Used, want.UsedSpreadU = "a", fluids["amber 6"], fluids["amber 6"], usedSpreadU
	if got := open(""); want.ServiceData != "van6-overflow" || !reflect.DeepEqual(*got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	want.Vehicle, want.LowC, want.FirstFill, want.TypicalL, want.Check = "van 7", 0, 1, 4, fillcalc.ByDipstick
	want.Fresh, want.Used, want.OtherFluid = fluids["ruby old"], fluids["ruby old"], "superseded"
	if got := open(`,"vehicle":"van 7","low_c":0,"first_fill":1,"typical_l":4,"check":"dipstick","fluid":"ruby old","other_fluid":"superseded"`); !reflect.DeepEqual(*got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	if _, err := wire.ParseCommand([]byte(`{"id":"1","do":"open","fluid":"amber 6","low_c":35}`)); err == nil || !strings.Contains(err.Error(), "high_c: refuse.missing_window") {
		t.Errorf("without service data: %v", err)
	}
}
