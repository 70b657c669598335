package board

import "testing"

// What is typed is sent with the button beside it, a bare number in the units that stand
// beside the field, and it stays when the page changes.
func TestEntries(t *testing.T) {
	t.Parallel()
	h, cart := newListener(t, "us")
	cart.shows(h, named(t, "no job"))
	h.enter("choose-by", "Ada")
	h.enter("choose-vehicle", "van 7")
	h.press("Courier van, 6-speed")
	cart.hears(`{"by":"Ada","do":"open","service_data":"Cour","vehicle":"van 7"}`)
	h.press("Another gearbox")
	h.enter("open-low", "95")
	h.enter("open-high", "45 C")
	h.choose("open-fluid", "amber 6")
	h.press("Start")
	cart.hears(`{"do":"open","fluid":"amber 6","high_c":"45 C","low_c":"95 °F"}`)

	torque := named(t, "torque")
	cart.shows(h, torque)
	h.press("Enter the torque")
	h.enter("torque-applied", "97")
	torque.job.Flow.Remarks = nil
	cart.shows(h, torque.asks("ask.check", nil, nil))
	h.press("Save")
	cart.hears(`{"applied":"97 in-lb","do":"record","item":"torque","result":"done","specified":10.96}`)
	h.press("More ›")
	h.press("Back")
	cart.shows(h, named(t, "draining"))
	h.press("Some was spilled")
	h.press("Save")
	h.replied("About: type it first")
	h.enter("spilled-l", "a little")
	h.press("Save")
	h.replied("a little is not understood")
	h.enter("spilled-l", "2 fl oz")
	h.press("Save")
	cart.hears(`{"do":"enter","l":"2 fl oz","what":"spilled"}`)

	// Nobody pours on while it is not known how much is in: the answer weighs.
	cart.shows(h, named(t, "weigh first"))
	h.press("Weigh")
	cart.hears(`{"do":"clear"}`)
}

// Keys alone do what fingers do: digits press the answers, Enter and Escape end a dialog.
func TestKeyboardAlone(t *testing.T) {
	t.Parallel()
	h, cart := newListener(t, "us")
	cart.shows(h, named(t, "draining"))
	h.presses('2') // some was spilled
	h.key("2 fl oz\r")
	cart.hears(`{"do":"enter","l":"2 fl oz","what":"spilled"}`)
	h.sees("the end of the dialog", `!document.getElementById("dialogs").open`)
	h.presses('2')
	h.key("\x1b")
	h.presses('1')
	cart.hears(`{"do":"phase","phase":"service"}`)
	cart.shows(h, named(t, "asked"))
	h.presses('3')
	cart.hears(`{"as":"thing","change":3,"change_at":"2026-11-25T09:08:00.000Z","do":"answer"}`)
	cart.shows(h, named(t, "no job"))
	for range 9 {
		if script[string](t, h.tab, `document.activeElement.id`) == "choose-by" {
			break
		}
		h.key("\t")
	}
	h.key("Ada\tvan 7\t")
	h.presses('\r') // over the vehicle to the first gearbox
	cart.hears(`{"by":"Ada","do":"open","service_data":"Cour","vehicle":"van 7"}`)
}
