package names_test

import (
	"fmt"

	"bayfill/bridge/names"
	"bayfill/fillcalc"
)

// The event gets a token. What is kept beside it depends on the policy.
func ExampleHider_Hide() {
	h := names.Hider{
		Key:     []byte("a key of at least 16 characters"),
		Policy:  names.Policy{Technician: names.KeepShort, Vehicle: names.KeepHash},
		Current: names.Names{},
	}
	in := fillcalc.Input{Do: fillcalc.DoOpen, By: "Mara Example", Job: &fillcalc.JobSpec{ID: "van-7", Vehicle: "Grey Van 7"}}
	kept := h.Hide(&in)
	fmt.Println(in.By, in.Job.Vehicle)
	fmt.Println(kept)
	// Output:
	// t-710dc93f3102a45e-0543672be4440a16 v-98cb9cde3ba7fc30-b18cb21b0a7b7e24
	// [{t-710dc93f3102a45e-0543672be4440a16 M. E.}]
}
