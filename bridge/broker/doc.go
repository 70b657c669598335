// Package broker runs the MQTT broker that is embedded in the program, for shops that
// have none of their own. The bridge connects to it as a client like any other, over TLS
// when the broker has a certificate, so that the bridge handles an external broker in the
// same way.
//
// # Access
//
// One hook decides, and refuses what no rule allows:
//
//	user                           may read                    may publish
//	the bridge itself              everything                  everything
//	with the right read            bayfill/#, except commands  –
//	with the right command         –                           bayfill/{shop}/{cart}/commands
//	anonymous, no user configured  bayfill/#, except commands  –
//
// Where broker.discovery is set, readers may read the announcements as well.
//
// A user with a list of carts has these rights for those carts only; each delivery is
// checked, so a wildcard does not reach further. A last will needs the right to publish
// its topic. Nobody else may connect with a client id of the bridge. Without users the
// configuration allows a loopback address only.
//
// # Limits
//
//	connections that wait to authenticate  64, each for 5 s; one more ends the oldest of the
//	                                       address that has most of them
//	authenticated connections              128, of a user 32, of an address 64; 32 are kept
//	                                       for users who may command; the bridge's own do
//	                                       not count and always get in
//	a packet                               64 KiB
//	filters                                256 of a client, 8192 in all, 256 bytes each
//	output that a client does not read     4 MiB of a client, 64 MiB in all, 10 s for a piece
//	messages that it does not acknowledge  the same
//	wrong passwords                        each doubles the wait before the next attempt of
//	                                       that user from that address, up to 2 s, and from
//	                                       elsewhere, up to 1 s
//
// A session ends with its connection, whatever the client asks for, and only the bridge's
// messages are retained: so nothing of a client stays when it is gone. Retained messages
// are kept for as long as the broker runs. It keeps nothing on disk: the carts publish
// their leaves again after a start.
//
// # Log
//
// No packet is logged. A wrong name or password is logged as
//
//	level=WARN msg="login refused" part=broker address=192.0.2.7 user=keypad failures=3
//
// for programs that ban addresses. The metrics count them.
//
// # Reading order
//
// broker.go, access.go (who may do what), gate.go (who may hold a connection), conn.go
// (output of slow readers), bounds.go (what a client may leave behind), quiet.go,
// metrics.go. Only access.go, bounds.go and quiet.go know the library's types.
//
// # Why this library
//
// nats-server (2.15) speaks MQTT too, is alive, and clusters. Measured in a program of its
// own, stripped and without cgo, with no client: 17.1 MB against 7.5 MB of mochi-mqtt 2.7.9,
// 13.5 MB of memory against 7.7, and 37 ms until it is ready against less than one. For MQTT
// it keeps sessions and retained messages in files, which wears the card of a small
// computer; and a cluster needs other computers, so who wants one has a broker at an
// address. The embedded one is for one shop, within the limits above.
//
// The library's goroutines end with [Broker.Close], which returns within a fraction of a
// second even when connections never authenticate or clients leave meanwhile.
package broker
