// Package disjunctive schedules machines that do one operation at a time, by
// local search on the sequences of the machines (the disjunctive graph of Roy &
// Sussmann, 1964): job shops, flexible job shops, single machines, and whatever
// else has minimum lags of any shape, releases and alternative machines.
//
//	s, err := disjunctive.New(problem, disjunctive.Options{Schedules: 50_000, Seed: 1, Threads: 2})
//	for used := 0; used < 50_000 && !s.Optimal(); {
//		n, better := s.Run(ctx, 1000)
//		…
//	}
//	schedule := s.Best()
//
// Three searches share the graph:
//   - makespan alone: tabu search on critical blocks and on other ways of
//     critical operations (tabu.go), bred by path relinking (breed.go);
//   - other objectives: tabu search on the critical paths of the jobs that cost
//     something (late.go), bred likewise;
//   - one machine that never has to wait: iterated dynasearch (sequence.go).
//
// What it guarantees:
//  1. A schedule is counted whenever start times are given to operations: each
//     move carried out (refused ones too), each solution built and again when
//     it is taken up, each sweep of dynasearch. A neighbour is estimated from
//     the heads and tails around it, or priced by a formula on a part of a
//     sequence, without start times; that is not a schedule. Best computes a
//     counted one again.
//  2. The same problem, seed, Options.Schedules and sequence of Run counts give
//     the same schedules on any machine and with any number of threads: a fixed
//     number of searches run side by side and meet between Runs only.
//  3. All arithmetic is on integers. Prices times times must fit 63 bits; that
//     is the caller's duty.
//
// What it does not do: maximum lags, calendars, more than one machine an
// operation, setup times. Optimal is said of what meets a simple bound only.
package disjunctive
