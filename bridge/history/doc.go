// Package history sends a cart's journal to InfluxDB, continuously ([Forwarder]) or all of
// it at once ([Fill]).
//
// The journal is the history's queue. A forwarder reads events in order, sends them with
// a blocking request, and moves the journal's mark after the acknowledgement. So every
// event arrives at least once and in order. Sending a point twice changes nothing, because
// series and time are the same.
//
// A forwarder sends what is new every five seconds, up to 1000 events. One request is under
// way at a time; carts that bring lines meanwhile share the next one, and if InfluxDB
// refuses a shared request, each sends its own again. While it catches up, a forwarder
// waits 50 ms between its batches, which bounds it to about 20,000 events a second. After a failure it waits one second, doubled up to a minute and spread by half,
// or as long as the server's Retry-After says, ten minutes at most.
//
// Only what InfluxDB itself answers counts. Versions 1 and 2 name themselves in each
// answer; version 3 does not, so the connection on which its 204 came is asked once with
// /ping or /health. Redirects are not followed.
//
// The lines that an answer names (version 3) are set aside, and the rest is sent again.
// Another refused batch is halved until the bad line is found. The journal keeps bad lines
// with the server's reason:
//
//	answer                         from InfluxDB   from anything else
//	204                            written         tried again later
//	any other below 400            tried again later
//	400, 422                       line refused    tried again later
//	413, several lines             batch halved    batch halved
//	413, a single line             line refused    tried again later (a proxy's limit can be raised)
//	401, 403, 404, 429, 5xx, none  tried again later
//
// The package starts no goroutines. The caller runs [Forwarder.Run] in one of its own and
// waits for it; one [Client] serves all carts.
//
// In reading order: lines.go (what is sent), influx.go (a request and its answer),
// together.go (one request for several carts),
// history.go (a batch, the forwarder), fill.go.
package history
