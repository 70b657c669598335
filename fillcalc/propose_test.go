package fillcalc

import "testing"

// wantProposed checks whether a phase is proposed, as what.
func (r *rig) wantProposed(what, key string, phase Phase) {
	r.t.Helper()
	if ask, ok := r.s.proposed(); !ok && key != "" || ok && (ask.Key != key || ask.Phase != phase || ask.Do != DoPhase) {
		r.t.Errorf("%s: %s (%s) is proposed, want %s (%s)", what, ask.Key, ask.Phase, key, phase)
	}
}

// Nobody has said that it drains, or that it is filled: it is proposed within ten seconds, and
// what ran before the tap is counted.
func TestPhasesAreProposedByTheSignal(t *testing.T) {
	for name, setup := range map[string]*Setup{"two scales": twoScales(), "one scale": oneScale()} {
		r := started(t, setup, aJob(), Ready)
		r.wantProposed(name+", at rest", "", "")
		r.scene(8, steady(0.05), nil, nil)
		r.wantProposed(name+", it drains", "ask.seems_draining", Draining)
		r.do(Input{Do: DoPhase, Phase: Draining})
		r.wantProposed(name+", said", "", "")
		r.scene(52, steady(0.05), nil, nil)
		r.rest(6)
		near(t, name+": drained", r.shown(DrainedTally), 3, 0.015)
		r.wantProposed(name+", just stopped", "", "")
		r.rest(130)
		r.wantProposed(name+", stopped for long", "ask.seems_service", Service)
		r.settled(Input{Do: DoPhase, Phase: Service})
		r.rest(8)
		r.wantProposed(name+", in the service", "", "")
		r.scene(8, nil, steady(0.05), nil)
		r.wantProposed(name+", it is filled", "ask.seems_filling", Filling)
		r.do(Input{Do: DoPhase, Phase: Filling})
		r.scene(32, nil, steady(0.05), nil)
		r.rest(8)
		near(t, name+": added", r.shown(AddedTally), 2, 0.015)
		near(t, name+": drained in the end", r.shown(DrainedTally), 3, 0.015)
		if asks := r.asked(); len(asks) > 0 {
			t.Errorf("%s: asked about %d", name, asks)
		}
	}
}

// The pan is tipped out into the caddy while it drips.
func TestServiceIsProposedWhenThePanIsTippedOut(t *testing.T) {
	r := started(t, twoScales(), aJob(), Draining)
	r.scene(60, steady(0.05), nil, nil)
	r.scene(30, steady(0.0008), nil, nil)
	r.wantProposed("it drips", "", "")
	r.onCaddy(0.5)
	r.wantProposed("tipped out", "ask.seems_tipped", Service)
}

// What is no fluid that runs proposes nothing: a caddy that is put there, a tool, somebody who
// leans on it, a supply that is filled up or changed.
func TestNothingIsProposed(t *testing.T) {
	for name, happens := range map[string]func(r *rig){
		"a tool":         func(r *rig) { r.onCaddy(0.4) },
		"a container":    func(r *rig) { r.onCaddy(3); r.onSupply(-3) },
		"somebody leans": func(r *rig) { r.scene(5, nil, nil, rising(0, 5, 2)) },
		"filled up":      func(r *rig) { r.scene(10, nil, steady(-0.1), nil) },
		"drips":          func(r *rig) { r.scene(30, steady(0.001), nil, nil) },
	} {
		for _, phase := range []Phase{Ready, Service} {
			r := started(t, twoScales(), aJob(), phase)
			happens(r)
			r.wantProposed(name, "", "")
		}
	}
}
