// Package names keeps the names of technicians and vehicles out of the events. An event
// holds a token; the name itself is kept beside the events, outside the hash chain, and
// only as far as the shop wants it kept ([Policy]). So a name can be erased without
// breaking the proof of a job.
//
// A token is the kind (t for a technician, v for a vehicle) and two times 16 hexadecimal
// digits of an HMAC-SHA-256 under the shop's key: over the name, and over the text that is
// kept of it. The first part is the same for the same name under every policy, so that the
// jobs of one technician can still be found under the policy hash. The second part commits
// to the text: the chain covers the token, so an altered text no longer belongs to it
// ([Prove]). Erasing the text leaves the token and the chain as they are.
//
// Whoever has the key can test a guessed name, and could search for a second text with the
// same 64 bits; whoever loses it can prove no name any more and gets other tokens from then
// on.
//
// Names are kept in three places: in memory while the program runs, in the journal's
// table name, and in the fields [Fields] of the history. The command
// `bayfill history erase` removes them from the journals and from the history.
//
// In reading order: names.go, proof.go.
//
// The package starts no goroutines. A [Hider] belongs to the cart that uses it.
package names
