// Package bridge is the running program: it starts the parts, stops them in order, and
// answers whether they are alive. What a cart does is in bridge/cart; what is sent
// where, in bridge/wire and bridge/history.
//
//	sensors ──▶ Reading ┐
//	MQTT    ──▶ command ├─▶ cart ──▶ Event ──▶ journal ──▶ forwarder ──▶ InfluxDB
//	ticker  ──▶ tick    ┘     └────▶ fold ──▶ leaves ────▶ link ───────▶ MQTT
//
// [New] opens what must be there before measuring starts, and fails if it is not: the
// secrets, the embedded broker if one is configured, each cart's journal, which is
// replayed, and the listener for health and metrics. Serial ports, an external broker
// and the history may come and go; the parts that use them retry.
//
// [Bridge.Run] owns all goroutines and returns when all of them have ended. It stops
// them in this order:
//
//  1. the carts, forwarders, health and the service manager, when ctx ends; a cart
//     publishes and saves to its end, however long a slow disk takes;
//  2. the links, when all carts have ended: they send what is due, and say goodbye;
//  3. journals, history, listener and embedded broker, when everything has ended.
//
// Read bridge.go first, then health.go and notify.go. THREATS.md beside this file says what
// each attacker wants and what stops them, FAULTS.md which test shows which fault.
package bridge
