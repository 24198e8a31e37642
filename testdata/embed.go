// Package testdata carries the demo shop inside the binary, so that the demo
// runs anywhere: the shop file and a busy day's arrivals.
package testdata

import _ "embed"

// LarkmoorName is the demo shop file's name, for messages.
const LarkmoorName = "larkmoor.yaml"

// Larkmoor is the demo shop file.
//
//go:embed larkmoor.yaml
var Larkmoor []byte
