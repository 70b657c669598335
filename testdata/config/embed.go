// Package config is the example configuration, which explains every key: the program
// prints it in "bayfill help configuration".
package config

import _ "embed"

// Example is the file bayfill.yaml.
//
//go:embed bayfill.yaml
var Example string
