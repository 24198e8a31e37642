// Package studies keeps the simulations that somebody asked for: what a change
// of the shop would bring. They run in the background, few at once, can be
// stopped, and are kept while the program runs.
//
// All methods may be called concurrently.
package studies
