// Package closing reads the closing records of a shop's jobs: what is usual in them, which
// fluid they have used, and how much used oil they have collected.
//
// Closing records ([points.Summary]) are written once, when a job ends, and are kept in the
// journal and in the history. [Of] reads one from either. [Usual] is the shop's experience
// with one variant of a transmission. [Account] sums what was used, and [Stock] holds it
// against what the shop has counted and bought. [Shop] keeps both up to date for the carts of
// a running bridge. [Copy] keeps the records in a second place, where an audit finds them
// whatever was done to journal and history.
//
// Volumes are in litres at the reference temperature of each job. A Shop may be used by
// several goroutines; nothing else here holds state. Read record.go, usual.go, account.go,
// stock.go, shop.go, then copy.go.
package closing
