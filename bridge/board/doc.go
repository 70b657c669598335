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
//   - Memory is bounded whatever a broker sends: 4096 carts, 64 KiB a message, 64 MiB
//     of messages. What has no room is said on the page. A page keeps none of the updates that
//     it receives.
//   - A board for all shops has an index of them. It reads what that shows, and of a shop or
//     a cart the rest only while a page of it is open.
//   - Only a page of this run can send commands, and only those of its buttons. Texts from
//     carts are always escaped, and characters that change the direction of text are
//     replaced.
//   - Every text has a contrast of at least 7:1, and buttons are large enough for gloves.
//   - The instruction, its figure and its answers are on the screen at every size that the
//     tests list, in every state. The page never scrolls: what has no room is away, and in
//     the dialog "more".
//   - A press right after the answers have changed does not count.
//
// # One screen at a time
//
// A screen has one instruction, one figure, one picture and at most six answers. What to do
// comes from the cart ([wire.JobAsk]), ranked there; the board only finds words, units, a
// picture and the buttons for it. The tone of the first ask decides sign, place, colour and
// sound.
//
// # Goroutines
//
// [Run] owns all goroutines and waits for them: the connection to the broker, which writes
// the hub; the HTTP server, with one goroutine for each open page. All of them share the hub
// under one lock. Everything about a cart is a pure function of its messages and the time.
//
// # Reading order
//
// board.go (starts the goroutines), leaf.go and cart.go (what was received from a cart), hub.go
// (all carts), screen.go (the page of a cart), scenes.go (each phase), opening.go and
// question.go, answer.go (buttons, dialogs and input fields), picture.go, warmth.go and
// trace.go (pictures), alerts.go, overview.go (all carts of a shop), index.go and watch.go (all shops), reader.go (units and language),
// http.go and stream.go (the browser), client.go (the broker).
package board
