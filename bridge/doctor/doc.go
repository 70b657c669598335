// Package doctor checks everything that a bridge needs on its computer, and says what to
// do about what is wrong.
//
// [Examine] makes all checks and reports a [Finding] for each. It prints nothing.
//
// The package promises:
//
//   - A running bridge is not disturbed: a port in use is not opened, the broker gets a
//     client with a name of its own, the history gets a comment, and journals are only
//     read. A port that is free is opened for a moment without changing its settings.
//   - What it publishes to try its rights is true and not retained: the cart is offline.
//     While a bridge runs the cart, it publishes nothing.
//   - A finding that is not ok says what to do. None contains a secret.
//   - A check that depends on another that failed is left out, and not reported as
//     wrong a second time.
//
// In reading order: doctor.go lists the checks, data.go looks at running bridges, the
// data folder, the disk and journals, port.go at serial ports, calibration.go at the
// records of calibrations, broker.go at the MQTT broker, history.go at InfluxDB, and
// clock.go at the time.
//
// To add a check, write a method of doctor that calls ok, look or wrong once with the key of a
// sentence that says what was checked, what was found and what to do, and call it from
// examine. Then add a case to TestDoctorOnAHealthyWorkshop and one to
// TestDoctorFindsWhatIsWrong, which run the command.
//
// It starts no goroutine.
package doctor
