// Package access knows who may come in: accounts with roles, passwords,
// sessions, paired devices, tokens for programs, and what was tried.
//
//	d, err := access.New(access.Options{Store: store, Now: time.Now, Random: rand.Reader})
//	pass, err := d.SignIn(ctx, "ruth", password, access.Origin{Address: addr})
//	who, err := d.Who(ctx, pass.Token)
//
// What it guarantees:
//
//  1. No secret is kept: of passwords the store has argon2id hashes (RFC 9106),
//     of tokens, codes and links, which are 128 or more random bits, their
//     SHA-256. None is logged, and none is in the shop's log of events.
//  2. A session that was ended, or whose account was shut, is over with the next
//     request; roles are read anew on each.
//  3. A code that pairs a device works once, also when two devices send it at
//     the same moment.
//  4. Guessing is slowed down for each account and each address, and an unknown
//     account answers as a wrong password does.
//  5. Somebody can always let others in: the last owner stays.
//
// What lies where is said by [Store], with a suite for its implementations in
// package accesstest. The HTTP side is services/floor/gate.
package access
