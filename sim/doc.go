// Package sim is a physical model of an instrumented drain cart under a vehicle, whose true state is known, and of the
// sensors on it. The sensors send the bytes of real ones through pseudo-terminals, so that a program which reads them cannot
// tell them from hardware, and what the program reports can be compared with the truth.
//
// # What it promises
//
// Cart, instruments, wires and faults are pure: they read no clock and start no goroutine, and the same seed with the same
// calls gives the same values. A rig gives the same bytes at any speed of its clock. The package imports nothing else of the
// project; its wires are written from the descriptions of the protocols, so that an error in package sensors is not repeated
// here. It runs on Linux only.
//
// # Goroutines
//
// Only [Rig.Run], [Rig.Serve] and [Recording.Play] have goroutines: one per port, which takes requests. Run keeps the time in
// its caller's goroutine; with Serve only [Rig.Advance] moves it. They return when ctx has ended, the goroutines have ended and
// the ports are closed. The methods of [Rig] may be called from any goroutine; a [Cart], a [Scale], a [Probe] and a [Wire] belong to one goroutine at a time.
//
// # Reading order
//
//	fluid.go                density and viscosity
//	cart.go drain.go        the truth: masses, temperatures, what a technician does with fluid
//	handling.go bottles.go  what a technician does with tools, pan, caddy and supply
//	truth.go                the state, and the load of a scale
//	scale.go probe.go       instruments: what a scale and a probe make of the truth
//	surroundings.go         wind, shaking and handling that disturb a scale
//	filter.go               how an indicator smooths
//	wire.go wire_*.go       the bytes of one protocol each
//	faults.go               damage to those bytes
//	line.go port.go         speed and parity; what a port is
//	pty.go pipe.go          pseudo-terminal and memory
//	rig.go run.go           all of it, running on a simulated clock, or moved by its caller
//	recording.go            bytes of a real instrument, played back
//
// # How to add a protocol
//
// Write wire_<name>.go with a type that implements [Wire], the frame drawn above it, and a check method when it has settings.
// Write it from the protocol's description and test it against published frames, not against package sensors. Then let
// bridge/config/protocols_test.go read it.
//
// # What a pseudo-terminal cannot do
//
// It keeps neither data bits nor parity: the kernel forces eight bits without parity. So a sensor with seven data bits always
// shows its parity in bit 7, which a reader must clear, and a wrong parity setting of the reader goes unnoticed. It does keep
// the speed: see [LineSettings].
package sim
