// Package bridge is the running program: for each cart one goroutine that owns
// its state, a journal on disk, one MQTT connection and one forwarder to the
// history.
//
//	sensors ──▶ Reading ┐
//	MQTT    ──▶ command ├─▶ cart ──▶ Event ──▶ journal ──▶ forwarder ──▶ InfluxDB
//	ticker  ──▶ tick    ┘     └────▶ fold ──▶ leaves ────▶ link ───────▶ MQTT
//
// Readings reach the fold as they arrive and the disk within a second; commands
// are on disk before they are done and answered.
//
// THREATS.md lists who may attack and what stops them, FAULTS.md the faults that the
// program must survive and the tests that show it.
package bridge
