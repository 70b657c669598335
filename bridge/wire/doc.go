// Package wire holds what goes over MQTT: the leaves of a cart's topics, the messages
// on them, the commands that a cart accepts and the signature on a command. A board
// or a tool needs only this package and the JSON schemas in wire/schema.
//
// What it promises:
//
//   - What a message says of a job is computed from a [fillcalc.State] by one function
//     (VolumesOf, WindowOf, JobOf), which reads no clock and changes nothing.
//   - A figure that is unknown is null, never 0 and never an old value: [Number]
//     writes NaN as null.
//   - Units are SI and stand in the name of the field; times are RFC 3339 in UTC.
//   - What a program must distinguish has a code from a closed list beside the text
//     for people: [AlertCodes], fillcalc's quality codes, the choices of a command's
//     field. Tests compare each list with the schema.
//   - Commands are parsed strictly. An unknown field, a wrong type or a value out of
//     range is an error that names the field and says what would be right.
//   - A message stays below the 64 KiB that brokers accept. Long lists show their
//     newest entries, and say how many older ones are left out.
//
// [Commands] describes each command once; the parser, the published schema, the flags
// of "bayfill job" and the buttons of the board all follow from it.
//
// The package starts no goroutines. Only [Signer] has state that changes; it locks.
//
// Read leaf.go first, then a message (volumes.go is the simplest), alerts.go, job.go with
// flow.go, plan.go and changes.go; for commands commands.go, commandtype.go, field.go,
// command.go, reply.go and signature.go.
package wire
