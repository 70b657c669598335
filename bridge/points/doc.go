// Package points converts events and published messages to points of the history and
// back, and holds the hash chain that proves them. It starts no goroutines and reads no
// clock.
//
// # Format
//
// A point is a line of InfluxDB's line protocol with nanosecond times. Its time is the
// event's; seq, the event's number in the journal, is a field of every point.
//
//	measurement      tags                fields
//	bayfill_reading  shop, cart, sensor  kg or c (or kind, when a fault hides the value), stability, faults, n, seq
//	bayfill_input    shop, cart          body (the input as JSON), by, vehicle, other_fluid_by, seq
//	bayfill_volume   shop, cart          the known figures of the leaf volumes, unrounded, chain, seq
//	bayfill_window   shop, cart          the known figures of the leaf window, unrounded, seq
//	bayfill_job      shop, cart          the closing record of a job, chain_from, chain, key, signature, seq_from, seq
//
// A closing record also holds what the job says about its instruments, as far as it says
// anything ([fillcalc.State.UseChecks]; _u is expanded, k = 2):
//
//	check_slope, check_slope_u, check_slope_sensor        full bottles against their label, relative
//	check_zero_kg, check_zero_u_kg, check_zero_sensor     the emptied caddy against its weight
//	check_balance, check_balance_u                        added less drained, relative to drained
//
// Floats have an exponent, so that they never look like integers, and are read back bit
// for bit. Texts contain no line ends; an empty one is left out. Sending a point twice changes nothing: series and
// time are the same.
//
// # The chain
//
// Each link is the SHA-256 of the link before it and of one event ([Head.Link]) or one
// published message ([Head.LinkPublished]). Each volume point holds the first 16 digits
// of the head at its event, so that a break is located to within a few readings. A job's
// closing record holds the head before its opening, the numbers of its first and last
// event, and the head after the record itself, over all its fields but the chain and its
// signature ([Fields.SignedBy]). New fields of fillcalc.Input must be omitempty, or old
// inputs get another hash. The opening's setup holds shop and cart. Names are in fields
// beside an input's body ([names.Fields]), outside the chain, so that they can be erased;
// their tokens in the body commit to them.
//
// In reading order: line.go (writing), published.go, point.go (reading), chain.go, sign.go.
package points
