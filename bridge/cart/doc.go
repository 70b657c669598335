// Package cart runs one instrumented cart: it turns readings and commands into events,
// saves them, folds them into the state and publishes what the state says.
//
//	sensors ──▶ report ──▶ give ─────┐
//	                        ▼ inbox ─┤
//	link ─────▶ incoming ▶ commands ─┼▶ state ─▶ backlog ─▶ journal
//	timer ───────────────▶ tick ─────┘    └────▶ link ────▶ broker
//
// What it promises:
//
//   - Whoever holds the lock has the state: a sensor's goroutine with a reading, or the
//     goroutine of [Cart.Run], the loop, with everything else. What finds the lock taken goes
//     through the inbox. Everything is handled in one order, and times rise strictly.
//   - A reading is applied at once and is on disk within a second. A command is on
//     disk, with everything before it and its reply, before it takes effect and is
//     answered. When the disk refuses, the command has not happened.
//   - A command with an id that was done before is answered again and not done again,
//     also after a restart.
//   - When the disk fails measuring goes on, and an alert says so.
//
// What the queues do when they are full:
//
//   - inbox: the sensors wait, and the kernel keeps their bytes. An alert of another
//     goroutine waits a second and is then offered again with its next change.
//   - commands: the link answers "busy".
//   - backlog: the oldest readings are dropped, and an alert names the gap. It is full
//     after hours without a disk.
//   - the link's readings, which are sent at once while nothing waits, and replies: the
//     oldest are dropped. State leaves have no
//     queue: only the newest message of each is kept.
//
// Run owns the goroutines of the sensors and the one that writes to the disk, and waits
// for both. [Cart.RunLink] owns the connection to the broker; it must outlive Run, which
// publishes to its end.
//
// Read cart.go first, then sensors.go, command.go, save.go, retention.go and publish.go;
// watch.go, alerts.go and frozen.go for what is reported; input.go and verifier.go for
// commands; link.go and outbox.go for the broker; new.go for the start; meter.go and
// pulse.go for metrics and health.
package cart
