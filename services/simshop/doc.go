// Package simshop is a simulated shop: the people and machines of one, who
// bring units in, take the jobs that the plan gives them, walk, work, wait,
// mistype, forget and fail. It produces the shop's events through the real
// services: commands go through a ledger, plans come from the dispatcher's
// core, call-backs from the benches' stations.
//
//	res, err := simshop.Run(ctx, simshop.Options{Shop: shop, ShopFile: hash, Seed: 1, Days: 5})
//	fmt.Println(res.UnitsFinished, res.CheckerViolations)
//
// [Run] is headless, as fast as it can. [Drive] is live: the same people on a
// scaled clock in front of the running services, beside whoever clicks along.
//
// What is guaranteed:
//
//  1. Run reads no clock and no source of chance but Options.Seed: the same
//     options give the same log, byte for byte, and the same Result but for
//     the times that planning took.
//  2. Nobody cheats: every change is a command that queue.Decide may refuse,
//     and what a person knows is what the pages show: the plan and the state.
//  3. After every entry the queue's state is audited, and every plan is judged
//     by the independent checker; both are counted in the Result.
//
// How long things take, how often they go wrong and what arrives are
// assumptions of a plausible shop: common practice, no source.
//
// A step that needs two technicians at once is worked by the first; the second
// stays free. The demo shop has none.
package simshop
