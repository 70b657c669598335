// Package words says things to people in their language and units.
//
// Every sentence that a person in the workshop meets has a key, and stands under it in a
// catalogue for each language: the files of the folders en and es, one for each subject, with
// a line KEY: "SENTENCE" for each. The fold and the bridge send the key with figures and names
// ([fillcalc.Text]); a [Reader] makes the sentence. So the wire stays in SI units, and each
// screen, terminal and sheet has its own language and units.
//
// In a sentence, {more_l} is a figure or a name. A figure is printed by the unit in which
// its name ends; {count|bottle|bottles} prints one of two words by a figure's number. {@phase}
// is the catalogue's word for a name: with the name draining, the text of phase.draining. A
// name with several words, separated by spaces, becomes a list. {at} and names that end in
// _at are times of day, in _day days, in _when both. A number has a decimal point in every
// language, as amounts are typed. A figure whose name begins with both_ is printed in its SI unit
// too; for readers of SI units, as the name written says that somebody wrote it.
//
// A test fails when a key is missing in a language, is not used, or when two languages do
// not mention the same figures.
//
// The glossary explains the words: [Reader.Glossary]. The package holds no state and starts no
// goroutines. Read catalogue.go, reader.go, error.go, system.go, then glossary.go.
package words
