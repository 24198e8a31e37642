// Package queue is the shop's job queue: what a unit is, which steps its visit
// needs, what happened on the floor, and which rules nobody may break.
//
// The package is pure. It reads no clock, no disk and no socket; whatever a
// rule needs to know of the world (the hour, the daylight) arrives as data in
// [Conditions]. Two functions carry everything:
//
//   - [Decide] judges a command against the state and answers with the events
//     that it causes, or with a [*Refusal] that says which rule stands in the
//     way and what to do;
//   - [State.Apply] folds one log entry into the state.
//
// What is guaranteed:
//
//  1. Applying the same entry again, or an entry whose command was applied
//     before, changes nothing.
//  2. Events of one unit are linked: each carries the unit's counter and the
//     hash of the event before it. Apply reports a gap or a changed event
//     and leaves the state as it was.
//  3. Kinds of event that this version does not know are kept in the log and
//     counted, never guessed at. An event in a newer version of a known kind
//     is an error ([ErrNewerFormat]).
//  4. A state reached by Decide and Apply violates none of the interlocks that
//     can not be overridden (I1, I2, I7); [State.Audit] checks that.
//
// The package does not plan: which step comes next is the scheduler's answer.
// Helpers for tests are in queue/queuetest.
package queue
