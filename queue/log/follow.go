package log

import (
	"context"
	"errors"
	"slices"
	"sync"

	"tickover/queue"
)

// Bounds of followers.
const (
	// feedAbove is how many of a connection read by themselves. A process of one
	// site is sent nothing of others; one of many has a reader for all of them.
	feedAbove = 4
	// waitingMax is how many entries may wait for a follower. One that is slower
	// holds nobody up: it reads by itself until it has caught up.
	waitingMax = 256
	joinPause  = retryPauseMax / 10
)

// errLapsed: the feed has no more for a follower, who may join again.
var errLapsed = errors.New("behind the feed")

// Follow implements [Log].
func (l *JetStream) Follow(ctx context.Context, site queue.SiteID, has func() uint64, fn func(*queue.Entry) error) error {
	if err := CheckSite(site); err != nil {
		return err
	}
	after := has()
	if l.feed.leaveAlone() {
		defer l.feed.giveBack()
		return l.deliver(ctx, span{site: site, after: after}, has, fn)
	}
	for {
		var err error
		if after, err = l.feed.follow(ctx, site, after, has, fn); !errors.Is(err, errLapsed) {
			return err
		}
		if !pause(ctx, joinPause) {
			return ctx.Err()
		}
	}
}

// feed is one reader of all sites for many followers. A reader each costs the
// server a look into its store, which waits for the disk, and this process half
// a dozen goroutines, for each entry: a fifth of the entries a second on two
// cores. What a follower has already, which is nearly everything where the
// commands are carried out, ends here: its hash is in the chain, and nobody is
// woken.
type feed struct {
	l *JetStream

	mu        sync.Mutex
	own       int // followers that may still read by themselves
	followers map[queue.SiteID][]*follower
	reader    *feedReader // nil: nobody follows
}

// feedReader is the reader's life, from the first follower to the last.
type feedReader struct {
	cancel context.CancelFunc
	ended  chan struct{}
}

// follower is one that the feed serves. The feed's mutex guards all but c.
type follower struct {
	site  queue.SiteID
	has   func() uint64
	c     chan *scanned // what it does not have; closed when it lapsed
	ended bool          // c is closed
	// Until it has read up to what was stored when it joined, all that comes is
	// early; then chain says where the feed is.
	live  bool
	early []*scanned
	chain chainCheck
}

func (f *feed) leaveAlone() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.own == 0 {
		return false
	}
	f.own--
	return true
}

func (f *feed) giveBack() {
	f.mu.Lock()
	f.own++
	f.mu.Unlock()
}

// follow follows a site by the feed until ctx ends, fn fails, or it lapsed, and
// then returns the last entry that is known to follow the one before it.
func (f *feed) follow(ctx context.Context, site queue.SiteID, after uint64, has func() uint64, fn func(*queue.Entry) error) (uint64, error) {
	w := f.join(site, has)
	defer f.leave(w)
	at, err := f.l.catchUp(ctx, site, after, fn)
	if err != nil {
		return after, err
	}
	f.begin(w, at)
	for {
		select {
		case e, ok := <-w.c:
			if !ok {
				return w.chain.seq, errLapsed
			}
			if err := deliverRaw(e, fn); err != nil {
				return after, err
			}
		case <-ctx.Done():
			return after, ctx.Err()
		}
	}
}

func deliverRaw(e *scanned, fn func(*queue.Entry) error) error {
	en, err := e.decode()
	if err != nil {
		return err
	}
	return fn(en)
}

// catchUp delivers what is stored after an entry and returns how far it came.
// It waits for a log that does not answer.
func (l *JetStream) catchUp(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) (Position, error) {
	for {
		last, err := l.Last(ctx, site)
		if err == nil && last.Seq > after {
			err = l.deliver(ctx, span{site: site, after: after, until: last.Seq}, nil, func(en *queue.Entry) error {
				after = en.Seq
				return fn(en)
			})
		}
		if err == nil || !errors.Is(err, ErrUnanswered) {
			return last, err
		}
		if !pause(ctx, retryPauseMax/4) {
			return last, ctx.Err()
		}
	}
}

// join registers a follower, before it asks what is stored: what the feed has
// passed on until now is stored, and all that comes is kept for it.
func (f *feed) join(site queue.SiteID, has func() uint64) *follower {
	f.mu.Lock()
	defer f.mu.Unlock()
	w := &follower{site: site, has: has, c: make(chan *scanned, waitingMax)}
	f.followers[site] = append(f.followers[site], w)
	if f.reader == nil {
		ctx, cancel := context.WithCancel(context.Background())
		r := &feedReader{cancel, make(chan struct{})}
		f.reader = r
		after := f.l.seen.Load()
		go func() {
			defer close(r.ended)
			f.read(ctx, r, after)
		}()
	}
	return w
}

// leave takes a follower out; the last one ends the reader.
func (f *feed) leave(w *follower) {
	f.mu.Lock()
	rest := slices.DeleteFunc(f.followers[w.site], func(x *follower) bool { return x == w })
	if f.followers[w.site] = rest; len(rest) == 0 {
		delete(f.followers, w.site)
	}
	r := f.reader
	if len(f.followers) > 0 {
		r = nil
	} else {
		f.reader = nil
	}
	f.mu.Unlock()
	if r != nil {
		r.cancel()
		<-r.ended
	}
}

// begin has the feed go on for a follower who has read up to a position, with
// what came meanwhile: there is room for all of it.
func (f *feed) begin(w *follower, at Position) {
	f.mu.Lock()
	defer f.mu.Unlock()
	w.chain = chainCheck{site: w.site, seq: at.Seq, hash: at.Hash, known: true}
	w.live = true
	for _, e := range w.early {
		if e.err != nil || e.seq > at.Seq { // others were read
			w.take(e)
		}
	}
	w.early = nil
}

// read passes on what comes after an entry until ctx ends. When it ends
// otherwise the log is closed, and each follower finds that by itself.
func (f *feed) read(ctx context.Context, r *feedReader, after uint64) {
	_ = f.l.each(ctx, span{after: after}, decodeNone, func(e *scanned) error {
		f.pass(r, e)
		return nil
	})
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.reader != r {
		return
	}
	f.reader = nil
	for _, all := range f.followers {
		for _, w := range all {
			w.lapse()
		}
	}
}

// pass gives an entry that a reader has read to those who follow its site.
func (f *feed) pass(r *feedReader, e *scanned) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.reader != r {
		return // it was stopped
	}
	for _, w := range f.followers[e.site] {
		w.take(e)
	}
}

// take sorts an entry out for a follower. What is no good, or does not follow,
// or finds no room, it reads again by itself: then it is known what to say of
// it.
func (w *follower) take(e *scanned) {
	if w.ended {
		return
	}
	if !w.live {
		if len(w.early) < waitingMax {
			w.early = append(w.early, e)
		} else {
			w.lapse()
		}
		return
	}
	before := w.chain
	if e.err != nil || w.chain.next(e) != nil {
		w.lapse()
		return
	}
	if e.seq <= w.has() {
		return
	}
	select {
	case w.c <- e:
	default:
		w.chain = before
		w.lapse()
	}
}

func (w *follower) lapse() {
	if !w.ended {
		w.ended = true
		close(w.c)
	}
}
