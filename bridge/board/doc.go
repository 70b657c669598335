// Package board serves a web page for the screen in a bay. It is an MQTT client like any
// other: it reads the carts' leaves, and sends commands if its user may.
//
// The server renders everything and sends the changed pieces as HTML (server-sent events).
// A page needs no state of its own; it only places the pieces, notices when they stop,
// sounds the signal and sends the commands of its buttons.
//
// # Promises
//
//   - A figure that is old, missing or unknown is never shown as live or as zero. Ages are
//     measured by the board's own clock. A retained message counts as last known.
//   - An outage of a sensor, the bridge, the broker or the board is visible within three
//     seconds.
//   - Memory is bounded whatever a broker sends: 256 carts, 64 KiB a message, 300 samples
//     of a trend. A page keeps none of the updates that it receives.
//   - Only a page of this run can send commands, and only those of its buttons. Texts from
//     carts are always escaped, and characters that change the direction of text are
//     replaced.
//   - Every text has a contrast of at least 7:1, and buttons are large enough for gloves.
//
// # Goroutines
//
// [Run] owns all goroutines and waits for them: the connection to the broker, which writes
// the hub; a ticker, which samples the trends once a second; the HTTP server, with one
// goroutine for each open page. All of them share the hub under one lock. Everything about
// a cart is a pure function of its messages and the time.
//
// # Reading order
//
// board.go (starts the goroutines), leaf.go and cart.go (what was received from a cart), hub.go (all carts), view.go and
// window.go (words and figures), level.go, trend.go and trace.go (pictures), actions.go and
// entry.go (buttons and input fields), http.go and stream.go (the browser), client.go (the
// broker).
package board
