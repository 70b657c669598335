// Package config reads what a shop writes or keeps in files: the configuration, the
// service data of its transmissions, the calibrations of its sensors, and keys and
// certificates.
//
// # Promises
//
//   - Every key of a file is a field; an unknown key is an error with the nearest valid
//     key. Errors name the file, the line and the key, and say what would be right. All
//     that is wrong with a file is told at once ([Faults]), but not what only follows.
//   - No error shows a secret, even one that somebody has written into the file by
//     mistake.
//   - A configuration that passes [Parse] can be run: every sensor's driver can be made,
//     a cart can start, and a job can be opened with every fluid.
//     [Config.CheckSecrets] checks the files and variables that it names.
//   - A record appended to a file of calibrations survives a power cut, and an incomplete
//     line never hides the records before it.
//
// The package starts no goroutines. A [Config] does not change after [Parse], so any
// goroutine may read it.
//
// # Files
//
//	configuration  one YAML document; testdata/config/bayfill.yaml shows every key
//	service data   one YAML document for each variant of a transmission, *.yaml and *.yml in
//	               a folder that is read again for each command; amounts with their units
//	               (4.2 qt, 95 F, 165 in-lb), converted to SI with one rounding
//	calibrations   DATA/CART.SENSOR.calibration.jsonl: one JSON object a line, the newest last
//	token key      DATA/identity.key, made at the first start unless identities.key names
//	               another; with another key names get other tokens
//	journal        DATA/CART.journal, see package journal
//
// # Service data
//
// Volumes are in L, mL, US units (qt, pt, gal, fl oz) or imperial ones (qt imp, …);
// temperatures in C or F; torques in N·m, in-lb or ft-lb. The allowed ranges are wide
// enough for a lorry and narrow enough to find a wrong unit (common practice, no source).
// Of two files with the same name neither is used.
//
// # Reading order
//
// config.go (keys and defaults), check.go (limits), decode.go (reading on behind an error),
// explain.go and place.go (errors about a file), keys.go and tls.go (secrets), servicedata.go,
// calibration.go. keyerror.go leads from an error to its line.
package config
