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
//     added, altered or out of order is a [Finding]; a report without findings is the
//     same and complete.
//   - A record may hold anything, forged times and hostile names included: it gives a
//     report and a sheet of bounded size, and never a panic.
//   - What cannot be verified is never passed.
//   - Nothing reads the clock. The same record gives the same report and sheet on every
//     machine.
//   - The history is only read, except by [Store.Erase] and [Store.Keep].
//
// In reading order:
//
//   - store.go and record.go get a record; export.go writes its points.
//   - check.go makes the report.
//   - verdict.go holds the rules; instrument.go and trouble.go say what the instruments
//     were and when one of them was silent or reported a fault.
//   - sheet.go computes what the sheet says; course.go and sheetpicture.go draw the job;
//     csv.go writes its course.
//   - control.go holds the statistics of control charts; fleet.go gets the jobs of a
//     period, fleetchart.go judges them, fleetchecks.go says which scale has moved,
//     fleetpicture.go draws them, fleetreport.go and fleetcsv.go write them.
//   - erase.go overwrites the names of a person.
//
// To add a rule to the verdict, write a method of Report in verdict.go that adds the
// figures it looked at and calls say with an outcome and a sentence for each reason,
// and add its row to the table in [Judge]. Decide by types, never by the text of a
// sentence. Then add a passed, a failed and an unverified case to TestVerdict, and
// write the golden sheets with -update after a look at the difference.
//
// It starts no goroutine.
package audit
