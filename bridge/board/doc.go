// Package board serves a page for the screen in a bay. It is an MQTT client like
// any other: it reads the carts' leaves, and sends commands if its user may.
//
// The server renders everything, and sends what has changed as pieces of HTML
// (server-sent events). In reading order: cart.go keeps what came from a cart,
// view.go and window.go make words and figures of it, level.go and trend.go
// pictures, actions.go and entry.go buttons and what is typed beside them; hub.go
// holds all carts; http.go and stream.go bring them to the browser, client.go is
// the connection to the broker.
package board
