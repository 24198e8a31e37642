// Package calendar turns the way people describe time (opening hours, shifts,
// breaks, holidays, one-off days, quiet hours, daylight, closures) into sorted
// half-open intervals of instants, and answers questions about them.
//
// Start with [Hours.Expand] for opening hours, [Roster.Expand] for a person or
// a machine, [Daylight] for the sun and [Outdoor] for a run-up pad or a
// test-ride loop.
//
// It guarantees:
//
//  1. Every [Set] it returns is sorted, and its intervals are non-empty,
//     disjoint and do not touch.
//  2. Days are calendar days of the given location, built one by one, so
//     08:00 is 08:00 on a day of 23 or 25 hours. A clock time that the spring
//     change skips means the instant the clock jumps; one that the autumn
//     change repeats means its first occurrence, as in RFC 5545, section 3.3.5.
//  3. The same arguments give the same result: no clock, no IO, no globals.
//     Everything here is safe for concurrent use as long as nobody changes the
//     arguments.
//
// It does not know public holidays (the shop file lists its own), weather, or
// the horizon: hills and the height of the site are ignored, as they are in
// published tables.
package calendar
