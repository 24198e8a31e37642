//go:build race

package simshop_test

// Runs of TestTwentyDemoDays, shorter under the race detector, which is many
// times slower and has nothing to find in a run of one goroutine.
const demoRuns, demoDays = 1, 2
