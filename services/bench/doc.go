// Package bench is the worker of one station: a bench, a pad, a loop or the
// floor.
//
//	w, err := bench.New(ctx, bench.Config{Site: "larkmoor", Station: "b2", Conn: nc, Ledger: l, Now: time.Now})
//	go w.Run(ctx)
//	view := w.View()                                  // what the screen shows
//	receipt, err := w.Accept(ctx, commandID, unit, step, technician)
//
// It takes the station's offers from the work queue, shows them, carries what
// people do there into the log, tracks hands-off time, calls the technician
// back before it ends, and raises an alarm when something is overdue.
//
// What it guarantees:
//
//  1. An offer is taken off the queue only when it was accepted, declined, or
//     replaced; one that was shown by a worker that died is offered again.
//  2. An accepted or running step stays: it is state in the log, not in the
//     worker. A worker that starts again shows it again.
//  3. Offers of a dispatcher that has been replaced are not shown.
//  4. An alarm frees nothing: whatever is locked stays locked until a person
//     records the end.
//  5. Without a dispatcher the next job comes from the last plan, through the
//     same interlocks.
//
// [Station] is all of it without goroutines, clocks and sockets, for the
// simulation; [Worker] is the loop around it. A Worker runs in the process of
// the log or on the bench's own computer over the network, with the same code.
package bench
