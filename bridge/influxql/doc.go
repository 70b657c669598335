// Package influxql asks InfluxDB for points, in the one query language that versions 1.8, 2
// and 3 Core share, over GET /query.
//
// InfluxDB's client library asks in Flux only, which version 3 no longer has; so this
// package makes the request through the library's HTTP service and reads the answer itself.
//
//   - A query is built from values ([Query], [Is], [Holds]): each is quoted, none is text of
//     the language.
//   - Every value comes back as it was written, with its type: JSON does not tell 5 from 5.0,
//     so the server is asked for the type of each field first ([Client.Schema]), and a field is
//     asked for by name and type. 64-bit integers do not go through a float.
//   - Each field has a column of its own, whatever its name, and each tag is seen.
//   - An answer is whole or an error. It comes in parts, and each part but the last says that
//     more follows ("partial"; version 3 does not say it, so there only the end of the HTTP
//     answer shows it). Errors stand in the status, beside the results or in one of them.
//   - A query of any length is answered: 3 Core refuses to read too many files at once, so
//     the time is halved until it does not ([Client.Rows]).
//
// A bucket is a database, or a database, a slash and a retention policy, as versions 1.8 and
// 2 (its virtual mapping) read it in a write.
//
// In reading order: query.go, client.go (a request), schema.go, answer.go.
package influxql
