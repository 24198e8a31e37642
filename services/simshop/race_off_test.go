//go:build !race

package simshop_test

// Runs of TestTwentyDemoDays.
const demoRuns, demoDays = 4, 5
