// Package audit computes jobs again from what the history or a journal keeps of them,
// judges whether they were done right, and draws control charts over many of them.
//
// [Store] reads the history in InfluxDB. It and [FromJournal] return a [Record]: the
// readings, the inputs and the published messages of one job, and its closing record.
// [Check] folds the events of a record again and returns a [Report], and [Judge] a
// [Verdict] about that report. [WriteSheet] and [WriteCSV] write a report for people;
// [Store.Fleet] and [Store.WriteFleetCSV] do it for all jobs of a period.
//
// The package promises:
//
//   - Check compares every published figure to the last bit, and the chain over all
//     events and published messages with the closing record. A point that is missing,
//     added, altered or out of order is a [Finding], and so are a forged name, a record
//     under another shop or cart, and what a point holds beyond the contract; a report
//     without findings is the same and complete.
//   - Who signed the closing record, and which names are proven, is said as far as the
//     keys are at hand ([Trust]).
//   - A record may hold anything, forged times and hostile names included: it gives a
//     report and a sheet of bounded size, and never a panic.
//   - What cannot be verified is never passed.
//   - Nothing reads the clock. The same record gives the same report on every machine, and
//     the same sheet to the same reader, whose zone its times have.
//   - The history is only read, except by [Store.Erase] and [Store.Keep].
//
// In reading order:
//
//   - store.go and record.go get a record, with package influxql; export.go writes its points.
//   - check.go makes the report: place.go compares numbers and times, chain.go the chain,
//     trust.go signature, copy and names; finding.go says what was found.
//   - verdict.go adds the record's own rule to those of the fold.
//   - sheet.go writes the sheet. sheetdata.go is its content, sheetfill.go, sheetrows.go,
//     sheetvolumes.go and notices.go compute it; course.go and sheetpicture.go draw the job;
//     number.go and sheettimes.go print figures and times; ticket.go writes the ticket, of
//     which the sheet's first page is made; csv.go writes the job's course.
//   - control.go holds the statistics of control charts; fleet.go gets the jobs of a
//     period, fleetjobs.go says what each adds, fleetchart.go judges them, fleetchecks.go
//     says which scale has moved, fleetoverview.go and fleetpicture.go draw them,
//     fleetreport.go and fleetcsv.go write them.
//   - erase.go overwrites the names of a person.
//
// A rule of the verdict is a method in fillcalc/verdict.go, where board and audit find it; see
// DEVELOPERS.md.
//
// It starts no goroutine.
package audit
