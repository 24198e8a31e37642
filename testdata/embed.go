// Package testdata carries the demo shop inside the binary, so that the demo
// runs anywhere.
package testdata

import _ "embed"

// LarkmoorName is the demo shop file's name, for messages.
const LarkmoorName = "larkmoor.yaml"

// Larkmoor is the demo shop file.
//
//go:embed larkmoor.yaml
var Larkmoor []byte

// BusyDayName is the name of the busy day's list, for messages.
const BusyDayName = "larkmoor-busy-day.csv"

// BusyDay is what waits at Larkmoor on the morning of its busiest day, Tuesday
// 17 February 2026: 24 units.
//
//go:embed larkmoor-busy-day.csv
var BusyDay []byte

// CalibrationsName is the name of the demo's newer calibrations, for messages.
const CalibrationsName = "calibrations.csv"

// Calibrations are newer ones than the shop file's; one is mandatory, so that
// listing them opens a campaign.
//
//go:embed calibrations.csv
var Calibrations []byte
