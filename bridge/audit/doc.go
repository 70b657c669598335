// Package audit computes jobs again from what the history or a journal holds of
// them, and says whether they are the same and complete: readings and inputs, the
// figures that were published then, the chain over all of it and its ends in the
// job's closing record.
//
// [Store] and [FromJournal] bring a [Record]; [Check] makes a [Report] of it.
package audit
