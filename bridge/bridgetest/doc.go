// Package bridgetest helps the tests of the bridge and of its packages. It starts the real
// parts that they need: Mosquitto, InfluxDB and simulated carts on pseudo-terminals, each
// on a free loopback port or in a folder of its own. It also holds the configurations and
// events that several packages use.
//
// Every program, connection and goroutine that a function starts ends with the test that
// called it. A missing program skips the test; under CI=true it fails ([NeedProgram]).
// BAYFILL_TEST_LOG=1 shows the log ([Log]).
//
// Two packages below it import more: journaltest, for tests with a journal, and audittest,
// for tests with an audit. They are apart so that the tests inside packages config and points
// can use this package without an import cycle.
//
// In reading order: process.go (programs, ports, waiting), mosquitto.go, influx.go,
// chromium.go, broker.go (a broker in this process), subscriber.go and mqtt.go, rig.go (a
// simulated cart), config.go, cart.go and events.go.
package bridgetest
