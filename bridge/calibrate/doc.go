// Package calibrate leads a person through the calibration of a scale or a probe: it
// compares what the sensor shows with known values and records the result.
//
// [New] checks the [Options] and reads the known values; no port is open yet.
// [Session.Run] reads answers from an io.Reader and prints to an io.Writer: it asks for
// each point, waits until the reading has settled, fits the calibration with
// fillcalc, shows it with its tolerances, and appends the record to the sensor's file.
// [List] shows the records that there are.
//
// The package promises:
//
//   - A record is written whole or not at all, and only after the last point: a stop,
//     the end of the input or a lost port leaves no record, and the error says so.
//   - A sensor out of tolerance is recorded like any other, and reported as an error.
//   - Only readings that were measured after the person said that the value is in place
//     count.
//   - What is printed fits into 60 columns, except for paths.
//   - While Run runs, the sensor's port is locked: a bridge that has it makes Run fail.
//
// Run owns the goroutine of the sensor and waits for it. The goroutine that reads the
// answers ends with the next line or the end of the input: a read from a terminal cannot
// be cancelled.
//
// In reading order: calibrate.go takes the points, known.go reads known values and
// gives their uncertainty, settle.go waits for a reading to settle, terminal.go shows
// the result and reads answers, list.go lists records.
//
// To add a known temperature, such as another fixed point, add its word and its
// standard uncertainty with the source to known.go, name it in the messages that list
// the words, and add a row to TestKnownValues.
package calibrate
