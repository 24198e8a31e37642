// Package shopfile reads and writes the hand-written shop file: the place, its
// hours, people, things, kinds of work, routes and calibrations, in YAML.
//
// What is guaranteed:
//
//  1. [Parse] tells every mistake of a file at once ([Errors]), each with file,
//     line, column, the line itself and what to do. Nothing is guessed: an
//     unknown key, a key that stands twice, a value of the wrong type, an
//     unknown reference and a rule of the shop that can't be kept are refused.
//     A slip of YAML in one section hides no mistake in another.
//  2. Ids and texts are kept as written: 007 stays 007.
//  3. [Write] gives a file that Parse reads as the same shop.
//  4. A file has at most [SizeMax] bytes, and no anchors, aliases or tags: a
//     small file can't stand for a huge one.
//
// The package does no IO and reads no clock; time zones are built in.
//
// # The file
//
// The demo shop, testdata/larkmoor.yaml, is the commented example. Unless
// marked optional, a key has to be there.
//
// Forms: an id is 1 to 40 letters, digits, '-', '_' and '.'. Times of day are
// 24-hour spans "07:30-17:00", over midnight if the end is not after the start;
// the whole day is 00:00-24:00. A week is {mon-fri: span, sat: [span, span]}
// with mon … sun, ranges, "mon, wed" or daily, and days that are not named are
// shut; a span or list alone holds for every day. A duration is 28m, 1h30m, 90s
// or 60d (of 24 hours). A list with one item may be written without brackets.
//
//	site          id of the shop: lower-case letters, digits and '-'; names the log
//	name          for people
//	place         time_zone (IANA name), latitude, longitude (degrees, north and
//	              east positive), elevation_m (optional, 0)
//	hours         week: when the shop is open
//	days          optional; date: closed, {closed: reason} or {open: spans, reason: …}
//	quiet         optional week: no engine outdoors
//	daylight      optional; from: sunrise (default) or civil-twilight, after and
//	              before: engines run from so long after to so long before (0m)
//	resources     by id: kind (bench, interface, charger, pad, loop), name
//	              (optional, the id), tags (optional), capacity (loop only, 1),
//	              families (interface only: a list, or any)
//	technicians   by id: name (optional, the id), skills (optional), shifts
//	              (optional week, the hours), breaks (optional week), away
//	              (optional dates)
//	foremen       who may override: technicians' ids, {person: id} for others
//	operations    by id, see below
//	routes        by id: name (optional, the id), steps, see below
//	calibrations  optional list, see below
//	objective     optional; late (1), flow (0.05), moved (5), accepted_move (20)
//	planning      optional; quantile (0.6, from 0.3 to 0.95): the share of the work
//	              that takes no longer than it is planned with, once it was seen
//	limits        optional; battery_min_v (12.5), clock_skew (2m), call_before
//	              (3m), overdue_after (10m), showroom_max (60d), yard_capacity
//	              (0: no limit), units_open_max (400; 0: no limit),
//	              rework_operation (an operation; has to be there if a route has
//	              a test ride)
//
// An operation has kind (check-in, assembly, charge, flash, reset, relearn,
// restart-check, test-ride, fitting, final-check, hours-check, general) and
// stretches; optional are
//
//	name       the id
//	needs      what is held from start to end: bench, or bench (tag)
//	engine     the engine runs; default true for relearn, restart-check and
//	           test-ride. Then it needs a pad or loop and no bench (I7)
//	outdoors   follows from needs; may be written, has to agree
//	overnight  may run on with nobody there (false); never with the engine
//	           running, never a flash
//	handover   somebody else may go on with it (false)
//	evidence   by key: label (the key), type (number, count, text, yes-no,
//	           date, photo), unit, min and max (of a number or count), required
//	           (true), at_start (false). The keys odometer_km, engine_h, battery_v, programmed_on,
//	           calibration, revision, frame_number and photos have their type
//	           and unit built in; photos may go with any step, name it here only
//	           to require them or to give them a label; programmed_on takes
//	           whatever a controller reports
//	cautions   carbon-monoxide, hot-exhaust, fuel, battery, lift, noise, ride-gear
//
// A stretch is {hands-on: duration} with skill (none: everybody), technicians
// (1) and splittable (false: may pause at a break or overnight), or
// {hands-off: duration}. max_wait is how long its end may wait for the next
// hands-on stretch: a duration or any; by default 0m while the engine runs
// hands-off, else any. The first stretch is hands-on.
//
// A step of a route has, all optional, operation (the step's id), after (steps,
// or {step: id, min: duration, max: duration} with lags), optional (false: taken
// when the unit's arrival asks for it) and parallel (steps that it may overlap).
// Flash, reset, relearn, restart-check and test-ride come in this order, as far
// as a route has them (I6, I10).
//
// A calibration has id, revision (from 1; the highest counts), make, model,
// years (2026 or 2024-2026), family, released (date), and optional fitment
// (standard), for_caller (what to tell a customer) and none_needed (false: it
// is listed to say that nothing is to be flashed).
package shopfile
