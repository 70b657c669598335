// Package sim is a physical model of an instrumented drain cart under a vehicle, with its truth known, and of the
// sensors on it. The sensors speak the bytes of real ones through pseudo-terminals, so that a program which reads them
// cannot tell them from hardware; what it then says can be held against the truth.
//
// From the inside out:
//
//	fluid.go                density and viscosity
//	cart.go drain.go        the truth: masses, temperatures, what a technician does with fluid
//	handling.go             and with tools, pan, caddy and supply
//	scale.go probe.go       instruments: what a scale and a probe make of the truth
//	wire_*.go               the bytes of one protocol each
//	faults.go               damage to those bytes
//	line.go pty.go pipe.go  how bytes reach a reader: speed and parity, pseudo-terminal, memory
//	rig.go run.go           all of it, running on a simulated clock
//
// Cart, instruments, wires and faults are pure: no clock, no goroutine, and the same seed with the same calls gives the
// same values. Only the rig and its ports run.
//
// What a pseudo-terminal cannot do, and what follows from it: it keeps neither data bits nor parity (the kernel forces
// eight bits, no parity), so a sensor with seven data bits always shows its parity in bit 7 and a reader must take it off;
// and a wrong choice of parity by the reader goes unseen. Speed it does keep: see [LineSettings].
//
// The package runs on Linux only.
package sim
