// Package journal keeps a cart's record on disk: every event in order, what was
// published after it, the answers to commands, the names behind the tokens in the
// events, and how far the history has got. It is one SQLite file for each cart, which
// anybody can query with the sqlite3 program.
//
// # Promises
//
//   - A batch for which [Journal.Append] has returned nil survives a power cut.
//   - A failed Append leaves the journal as it was.
//   - Events are read back in order and bit for bit (a zero has no sign, and there is
//     no NaN). After the last snapshot no event is missing.
//   - Only one process opens a journal for writing. A second one stops with an error
//     that names the first. Reading with [OpenReadOnly] is always possible.
//   - Files that were deleted or replaced while the journal is open are noticed before
//     each write and answer ([ErrGone]).
//   - A journal that was put back from an older copy is noticed by its witness, a small
//     file in the folder witness, unless that is as old.
//   - Its files are for the program's user and group only; links are refused.
//   - Damage is never accepted silently: the error names the file and the event and
//     says what to do. Events before the damage are read, and jobs beside it are still
//     found ([Journal.Opened]).
//   - Retention deletes no event that the snapshot does not cover, and at the size limit
//     no event of a job. A journal that holds nothing else grows beyond its limit.
//
// The package starts no goroutines. One goroutine appends; others may read and move the
// history's mark meanwhile. They share one database connection and wait for each other.
//
// # Tables
//
//	event      seq, at_ns, kind, sensor, n, value, stability, faults, input (JSON)
//	published  seq, measurement, fields (line protocol): what was published after an event;
//	           the closing records of jobs are never deleted
//	answer     id, at_ns, command (SHA-256), reply (JSON): an id is answered once
//	set_aside  seq, line, reason: what the history refused for good
//	name       token, text: the names behind the tokens in the events
//	mark       name, value
//
// The marks:
//
//	snapshot   the state as JSON with its SHA-256; SQLite's pages have no checksum
//	chain      the head over all events ever appended, the head before the newest job,
//	           and the first event of that job
//	sent       the history has every event up to this one; it may be a batch behind
//	retention  how far retention has examined the journal, and whether a job is open there
//	given_up   how many readings were deleted before a history had them, and when
//	resumed    the newest event of a copy that was put back, and of what was known then
//	counter …  the last counter of signed commands, for each key
//
// An event on disk takes about 108 bytes at one weight every two seconds. SQLite does
// not give deleted pages back to the file system, so the limit counts pages in use
// ([Journal.Used]), not the file's size.
//
// An open journal holds four descriptors: the file, its write-ahead log, the index of the
// log, and the lock.
//
// # Reading order
//
// journal.go (the file, a batch, reading), statements.go, sent.go, batch.go (the chain in a batch), lock.go, mode.go,
// inplace.go, witness.go,
// snapshot.go, retention.go, deadletters.go, opened.go and jobs.go (jobs, also in a
// damaged file), erase.go (names), counter.go, remedy.go.
package journal
