package wire

import "bayfill/fillcalc"

// cautions returns what the trade warns of in a phase (common practice, no source).
// The cautions defer to the vehicle maker's service data, local codes and licensed
// practice, and say so.
func cautions(p fillcalc.Phase) []string {
	const defers = "The vehicle maker's service data and local codes come first."
	switch p {
	case fillcalc.Ready:
		return []string{"Vehicle supported and chocked before anybody goes below it.", defers}
	case fillcalc.Draining:
		return []string{
			"Fluid may be hot enough to burn: gloves, sleeves, eye protection.",
			"Support the pan: it comes down full.",
			"Vehicle supported and chocked.", defers,
		}
	case fillcalc.Service:
		return []string{
			"Pan bolts by hand tool to the specified torque, never by impact driver.",
			"Exactly one filter seal: the old one may stick.", defers,
		}
	case fillcalc.Filling:
		return []string{"Only the fluid that the service data names.", defers}
	case fillcalc.Running:
		return []string{
			"Exhaust extraction on before the engine starts.",
			"Foot on the brake and wheels chocked while the gears are worked.",
			"Keep clear of hot and turning parts.", defers,
		}
	case fillcalc.Checking:
		return []string{
			"Hot fluid and exhaust: gloves, eye protection.",
			"Judge the level only while the window is open.", defers,
		}
	case fillcalc.Closed, fillcalc.Abandoned:
		return []string{"Used oil goes into its own container and is disposed of by local rules."}
	}
	return []string{}
}
