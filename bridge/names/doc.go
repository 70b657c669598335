// Package names keeps the names of technicians and vehicles out of the events. An event
// holds a token; the name itself is kept beside the events, outside the hash chain, and
// only as far as the shop wants it kept ([Policy]). So a name can be erased without
// breaking the proof of a job.
//
// A token is the kind (t for a technician, v for a vehicle) and the first 16 hexadecimal
// digits of an HMAC-SHA-256 under the shop's key. The same name always gives the same
// token, so that the jobs of one technician can still be found under the policy hash.
// Whoever has the key can test a guessed name; whoever loses it gets other tokens from
// then on.
//
// Names are kept in three places: in memory while the program runs, in the journal's
// table name, and in the fields by and vehicle of the history. The command
// `bayfill history erase` removes them from the journals and from the history.
//
// The package starts no goroutines. A [Hider] belongs to the cart that uses it.
package names
