// Package log is the shop's event log: append, read, follow, and the proof that
// nothing in it was lost.
//
//	srv, err := log.Open(ctx, log.Options{Dir: "/var/lib/tickover"})
//	seq, err := srv.Append(ctx, entry, last)      // on disk when it returns
//	err = srv.Read(ctx, site, after, func(en *queue.Entry) error { … })
//
// The contract is [Log]. Three things fulfil it and pass one conformance suite
// (queue/log/logtest): [Open], a NATS server inside this process with the files
// of one directory; [Dial], the same log over the network; and logtest.Mem,
// in memory, for simulations.
//
// A log is one JetStream stream, SHOP. An entry is one message on the literal
// subject shop.<site>: all events of one command, stored together or not at
// all. Each entry carries the SHA-256 of the site's entry before it.
//
// What [Open] adds:
//
//  1. Nothing is served before the whole log was checked: sequences without a
//     gap, each site's chain of hashes, and the high-water mark, which is kept
//     outside the store. A mismatch is a [*DamageError] that names the site,
//     the sequence and what to do; no file was changed then.
//  2. A second process on the same directory is refused ([ErrLocked]).
//  3. Nothing is ever removed: no age, no limit that drops old entries, no
//     delete, no purge. Full is a clean refusal ([ErrFull]).
//
// The package does not judge what the events say: that is queue.Decide, and
// folding them is queue.State.Apply.
package log

import (
	"context"
	"errors"
	"fmt"

	"tickover/queue"
)

var (
	// ErrConflict: somebody else appended first. Fold what is new, decide
	// again.
	ErrConflict = errors.New("log conflict")
	// ErrRepeated: the command is in the log already, with other content.
	// Nothing was stored; [*RepeatedError] has its sequence.
	ErrRepeated = errors.New("command is in the log already")
	// ErrFull: the log's limit or the disk is reached. Nothing was stored.
	ErrFull = errors.New("log is full")
	// ErrNotDurable: no confirmation came that the entry is on disk. It may or
	// may not be stored; append it again with the same command id.
	ErrNotDurable = errors.New("not confirmed by the log")
	// ErrUnanswered: the log did not answer a question, or could not be sure of
	// its answer. Ask again.
	ErrUnanswered = errors.New("the log does not answer")
	// ErrInvalid: the entry can't be appended as it is. Nothing was stored.
	ErrInvalid = errors.New("invalid entry")
	// ErrNotFound: no such entry.
	ErrNotFound = errors.New("no such entry in the log")
	// ErrClosed: the log was closed.
	ErrClosed = errors.New("log is closed")
)

// Log is an append-only log of entries, a chain for each site. All methods may
// be called concurrently.
//
// Guarantees:
//
//  1. Order. A site's entries are read in the order in which they were
//     appended, each once, none left out, with strictly rising sequences. The
//     sequences of one site need not be contiguous: sites share the stream.
//  2. Atomicity. An entry is stored whole or not at all.
//  3. Durability. When Append returns without an error, the entry is on disk
//     (logtest.Mem: in memory). What Append reported as stored is read by
//     every later Read and Follow.
//  4. Condition. Of two appends that expect the same last sequence of a site
//     one is stored; the other gets ErrConflict.
//  5. Repeats. Appending the same entry again (same command, same bytes)
//     stores nothing and returns the sequence of the first time.
//  6. Integrity. Read and Follow deliver an entry only when its previous hash
//     is the hash of the site's entry before it; otherwise they end with a
//     [*DamageError] and deliver no more.
//  7. Versions. An entry or event that a newer program wrote ends Read and
//     Follow with an error that wraps queue.ErrNewerFormat.
type Log interface {
	// Append stores the entry if expectLast is the sequence of the site's last
	// entry (0: the site has none), and sets en.Seq. en.Prev must be the hash
	// of that entry. On success the entry is durable.
	//
	// Errors wrap ErrConflict, ErrRepeated, ErrFull, ErrNotDurable, ErrInvalid
	// or ErrClosed. After ErrNotDurable the outcome is unknown (a cancelled ctx
	// is such a case); every other error means that nothing was stored.
	Append(ctx context.Context, en *queue.Entry, expectLast uint64) (seq uint64, err error)

	// Read calls fn for the site's entries with a sequence above after that
	// are stored when Read is called, in order, on the caller's goroutine. fn
	// owns the entry. An error of fn ends Read and is returned as it is.
	Read(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error

	// Follow is Read that then stays: it calls fn for each new entry until ctx
	// is done (and returns ctx's error) or fn returns an error. It survives
	// reconnects and restarts of the server without a gap or a repeat.
	//
	// has says up to which entry the caller has them: where to begin, and later,
	// because whoever appends has his own entries already. Those up to there are
	// held against the chain like all others, and may be left out. has must not
	// wait for anything.
	Follow(ctx context.Context, site queue.SiteID, has func() uint64, fn func(*queue.Entry) error) error

	// Last returns the position of the site's last entry, zero if it has none.
	// All that anybody appended before Last was called is counted; a log that
	// can't be sure of that returns an error.
	Last(ctx context.Context, site queue.SiteID) (Position, error)

	// At returns the position of the site's entry at seq, or an error that
	// wraps ErrNotFound.
	At(ctx context.Context, site queue.SiteID, seq uint64) (Position, error)

	// Sites returns the sites that have entries, sorted.
	Sites(ctx context.Context) ([]queue.SiteID, error)
}

// Position is a place in a site's chain.
type Position struct {
	Seq  uint64
	Hash queue.Hash // of the entry at Seq
}

// RepeatedError says where the command is; it is an [ErrRepeated].
type RepeatedError struct {
	Command queue.CommandID
	Seq     uint64
}

func (e *RepeatedError) Error() string {
	return fmt.Sprintf("%v: command %s is entry %d with other content; nothing was stored. Read up to there and answer from it", ErrRepeated, e.Command, e.Seq)
}

func (e *RepeatedError) Unwrap() error { return ErrRepeated }

// Conflict is the error of an append that came too late; for implementations
// of [Log].
func Conflict(site queue.SiteID, expectLast, last uint64) error {
	return fmt.Errorf("%w: site %s: expected entry %d to be the last, the log is at %d", ErrConflict, site, expectLast, last)
}

// CheckSite reports a site id that can't be part of a subject: 1…64 lower-case
// letters, digits and '-'.
func CheckSite(site queue.SiteID) error {
	if site == "" || len(site) > 64 {
		return fmt.Errorf("%w: site id %q: 1 to 64 characters are allowed", ErrInvalid, site)
	}
	for _, r := range site {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return fmt.Errorf("%w: site id %q: only a-z, 0-9 and '-' are allowed", ErrInvalid, site)
		}
	}
	return nil
}

// CheckEntry reports an entry that must not be appended; for implementations
// of [Log].
func CheckEntry(en *queue.Entry, expectLast uint64) error {
	if err := CheckSite(en.Site); err != nil {
		return err
	}
	if len(en.Events) == 0 {
		return fmt.Errorf("%w: no events", ErrInvalid)
	}
	cmd := en.Command()
	if cmd == "" || len(cmd) > commandIDMax {
		return fmt.Errorf("%w: command id has %d characters, 1 to %d are allowed", ErrInvalid, len(cmd), commandIDMax)
	}
	for _, r := range cmd {
		if r <= ' ' || r > '~' {
			return fmt.Errorf("%w: command id %q: only printable ASCII without spaces is allowed", ErrInvalid, cmd)
		}
	}
	for i := range en.Events {
		if e := &en.Events[i]; e.Command != cmd || e.Site != en.Site {
			return fmt.Errorf("%w: event %d is of command %q at site %q, the entry of %q at %q", ErrInvalid, i, e.Command, e.Site, cmd, en.Site)
		}
	}
	if (expectLast == 0) != (en.Prev == "") {
		return fmt.Errorf("%w: previous hash %q does not fit expected last entry %d", ErrInvalid, en.Prev, expectLast)
	}
	return nil
}

// CheckPrev reports an entry whose previous hash is not that of last; for
// implementations of [Log].
func CheckPrev(en *queue.Entry, last Position) error {
	if en.Prev != last.Hash {
		return fmt.Errorf("%w: site %s: previous hash %.12s… is not that of entry %d (%.12s…); the state it was decided on is not the log's: fold the log again", ErrInvalid, en.Site, en.Prev, last.Seq, last.Hash)
	}
	return nil
}

const commandIDMax = 128
