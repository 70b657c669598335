// Package units reads and prints amounts in the units that people in a workshop
// use.
//
// The program itself calculates in SI units and sends nothing else. Two places need
// other units: text that people write (the configuration, service data, the torque
// in a command) and text that they read (the audit sheet, the command line).
//
// [Written] is an amount as somebody wrote it, such as "4.2 qt". It keeps the text,
// so that a sheet can repeat it, and converts it on demand by the exact factors of
// NIST SP 811, rounding once. An amount without a unit, with a decimal comma or with
// an unknown unit is an error that lists what is accepted.
//
// [System] prints SI amounts in the units that a shop has chosen.
//
// The package holds no state and starts no goroutines. Read written.go for input,
// quantity.go for what people type, then system.go for output.
package units
