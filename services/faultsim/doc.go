// Package faultsim simulates a whole deployment while everything goes wrong
// that may: shops with their people and phones, floor replicas, dispatchers,
// benches, the log's server and the store of shared views, with one clock and
// one source of chance.
//
//	res := faultsim.Run(faultsim.Options{Seed: 7, Days: 5})
//	if res.Failed() { t.Fatal(res.Report()) }
//
// It is one goroutine and a heap of events by time; what waits in the middle
// of a call is a coroutine. So that one seed is one history, to the last byte:
// [Result.Trace] is the hash of all that happened.
//
// What runs is the real code wherever it decides something: queue.Decide,
// Apply and Audit, ledger.Ledger with its conflicts, repeats and snapshots,
// dispatch.Lease, dispatch.Term and dispatch.Core with the planner, bench.Station,
// mirror.Mirror on view.Mem, view.Snapshots, and simshop's people. What is
// modelled: NATS (the log behind logtest.Mem, which passes the same suite as
// the real one; the buckets of leases and plans; the work queues), the network,
// disks, clocks and processes, the loops around the real parts, and the phone's
// outbox, which follows static/outbox.js. What is not in it: HTTP and its
// sessions, browsers, the bench worker's NATS consumer, Redis itself, the
// sharing of sites between dispatchers (dispatch.Peers), improvement runs,
// damage to the log's files. Those are tried on real processes.
//
// After each event it is judged, by code that shares nothing with what it
// judges where that can be:
//
//  1. Each new entry: the interlocks by the events alone, State.Audit, each
//     command in one entry.
//  2. What a device was told is recorded is in the log; what it was told is
//     refused is not.
//  3. Each ledger's state is the fold of the log, each shared view is the view
//     of the fold at its position.
//  4. Each plan passes scheduler/check; no plan or offer of a dispatcher that
//     was replaced comes after one of its successor.
//  5. At night, what is still locked has an alarm.
//  6. When faults end, all work is finished, all phones are empty, and ledgers,
//     views and plan agree.
package faultsim
