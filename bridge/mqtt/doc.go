// Package mqtt is the MQTT client of the whole program. The carts' links, the board,
// the commands for people and the doctor connect with it; what they say and read is
// their own.
//
// An [Endpoint] says where and how to connect. [Dial] makes one connection, a [Conn].
// [Keep] connects again and again until its context ends: it calls a function for each
// connection, closes the connection when the function returns, and waits longer after
// each failure.
//
// The package promises:
//
//   - Every wait ends with its context, with the connection, or after a limit.
//   - Of several addresses none delays the others: each has a pause of its own, and one
//     that accepts a connection and then says nothing is left soon. A host name with
//     several addresses counts as several.
//   - A connection that is lost stays lost. Nothing that was not acknowledged is ever
//     sent again, so a caller decides what is still worth sending.
//   - A subscription that the broker refuses is an error, a [RefusedError].
//   - [Conn.Close] is orderly: the broker then does not publish the will.
//
// The package starts no goroutine itself: Dial, Keep and the methods of Conn run on
// their caller's. The library's goroutines belong to the Conn and end with the
// connection; Close waits up to 100 ms for them. Only two outlive it, at most by
// Timeout: a connection attempt whose context has ended, since the library cannot
// interrupt it, and a write to a broker that takes no bytes. The receive function of
// a subscription runs on a goroutine of the library.
//
// What it hides of the library, github.com/eclipse/paho.mqtt.golang v1.5.1:
//
//   - After its own reconnect the library sends unfinished messages in any order, and
//     after newer ones: a retained topic may end with an old value. So it may not
//     reconnect, and each connection is a new client with an empty store.
//   - A token may never end, for instance if the connection is lost while a message is
//     handed over.
//   - A refused subscription counts as success: only the codes of the SUBACK show it.
//   - Without an explicit protocol version, every refusal is tried again as MQTT 3.1.
//   - A handler that waits stops the acknowledgements and the pings.
//   - Disconnect with 0 ms may return before the packet is sent.
//   - The keep-alive is counted in whole seconds and a ping is late by up to a quarter:
//     too slow for a client that must know within seconds. [Conn.Ping] asks at once.
//   - "network Error : " stands before each reason why there is no connection.
//   - A packet is read in at least three pieces, and a message passes three goroutines
//     before it is written: a stream below the library reads ahead and writes messages
//     with QoS 0 itself, by direct system calls.
//
// In reading order: endpoint.go, conn.go, stream.go, keep.go, turns.go.
package mqtt
