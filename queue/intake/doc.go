// Package intake reads units from a CSV file, as a spreadsheet or a maker's
// dispatch list gives it, and calibrations from another ([LoadCalibrations]).
//
//	batch, errs := intake.Load(file, shop)       // every bad line is in errs
//	plan := batch.Against(state, sender)         // what is new to the shop
//	for _, cmd := range plan.Commands(sender) {} // send them in order
//
// What is guaranteed:
//
//  1. Every line that can't be taken is named ([RowError]): line, column, what
//     is wrong and what to do. Nothing is guessed or cut off.
//  2. [Batch.Against] judges the rows by the queue's own rules before anything
//     is sent, so that a caller can send all of the rows or none.
//  3. The same rows against the same state give the same commands with the same
//     ids; a row that arrived before counts as unchanged, even if the unit was
//     changed in the shop since. Importing a file twice changes nothing, and an
//     import that broke off is completed by importing again.
//  4. Bounds: [SizeMax] bytes, [RowsMax] rows, [RecordMax] bytes a row.
//
// The commands are separate entries of the log: the log takes each of them as a
// whole, and if the program dies between two, guarantee 3 completes it.
//
// # The file
//
// UTF-8, with or without a byte-order mark; comma, semicolon or tab between the
// cells, as the first line shows; cells with separators, quotes or line breaks
// in double quotes (RFC 4180). Empty lines are left out. What looks like a
// formula is a text like any other. The first line names the columns, in any
// order; case, blanks, '-' and '_' don't count:
//
//	ticket     needed; 1 to 40 letters, digits, '-', '_', '.'; the unit's id
//	make       needed
//	model      needed
//	year       needed; model year, four digits
//	ownership  needed; new, customer or trade-in
//	route      needed; a route's id or name
//	promise    needed; a time
//	family     controller family; needed if the visit uses an interface
//	frame      frame number
//	fitment    exhaust and intake as fitted (standard)
//	plate      licence plate
//	options    optional steps of the route that are taken: "fitting|wash"
//	weight     1 to 10 (1)
//	parts      steps that wait for a part: "fitting=2026-02-18 10:00|…"
//	contact    opaque id of the customer; never a name, number or address
//	note       text
//
// Times are ISO 8601 in the shop's time zone, 2026-02-17 16:30, or with a zone,
// 2026-02-17T16:30Z. A date alone means the shop's closing time on that day.
package intake
