package dispatch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// A lease lasts for a few seconds and is renewed thrice in that time.
const (
	leaseTTL = 3 * time.Second
	leaseMin = time.Second // the server's shortest
)

// ErrReplaced: another dispatcher took the site over.
var ErrReplaced = errors.New("another dispatcher took it over")

// errLeaseLost: another dispatcher has the site, or could have it.
var errLeaseLost = errors.New("lease lost")

// Leases is where leases lie: a key-value bucket whose values end by
// themselves, which may forget them all, and a counter that forgets nothing.
// Errors tell of requests that may or may not have been carried out, but for
// those named.
type Leases interface {
	// Create stores a value for a while if the key has none. held: it has.
	Create(ctx context.Context, key string, value []byte, ttl time.Duration) (rev uint64, held bool, err error)
	// Epoch is a number larger than any before it of the same site.
	Epoch(ctx context.Context, site queue.SiteID, holder string) (uint64, error)
	// Renew replaces a value, for a while, if it is still that of the
	// revision; the error wraps [ErrReplaced] if not.
	Renew(ctx context.Context, key string, value []byte, ttl time.Duration, rev uint64) (uint64, error)
	// Delete removes a value if it is still that of the revision.
	Delete(ctx context.Context, key string, rev uint64) error
}

// Lease is the right to dispatch a site. It alone does not exclude a second
// holder for a moment; the epoch that goes with every offer and plan does.
type Lease struct {
	in    Leases
	clock func() time.Time // never set; time.Now in a service
	key   string
	ttl   time.Duration
	value leaseValue
	rev   uint64 // of the last renewal
	until time.Time
}

// leaseValue is what others see of the holder.
type leaseValue struct {
	Holder string `json:"holder"`
	Epoch  uint64 `json:"epoch"` // 0 in the moment before the first renewal
}

// TryLease returns nil when another holds it.
func TryLease(ctx context.Context, in Leases, clock func() time.Time, site queue.SiteID, holder string, ttl time.Duration) (*Lease, error) {
	l := &Lease{in: in, clock: clock, key: leadKey(site), ttl: ttl, value: leaseValue{Holder: holder}}
	asked := clock()
	b, _ := json.Marshal(l.value)
	rev, held, err := in.Create(ctx, l.key, b, ttl)
	switch {
	case err != nil:
		return nil, fmt.Errorf("lease: %w", err)
	case held:
		return nil, nil
	}
	l.rev, l.until = rev, asked.Add(ttl)
	// Who is slow here may get a larger epoch than his successor; he can't renew
	// then, and nobody ever sees it.
	if l.value.Epoch, err = in.Epoch(ctx, site, holder); err != nil {
		_ = in.Delete(ctx, l.key, rev)
		return nil, fmt.Errorf("lease: count the dispatchers of %s: %w", site, err)
	}
	if err := l.Renew(ctx); err != nil {
		return nil, err
	}
	return l, nil
}

// Epoch is the fencing token: later holders have larger ones.
func (l *Lease) Epoch() uint64 { return l.value.Epoch }

// Renew prolongs the lease.
func (l *Lease) Renew(ctx context.Context) error {
	asked := l.clock()
	b, _ := json.Marshal(l.value)
	rev, err := l.in.Renew(ctx, l.key, b, l.ttl, l.rev)
	switch {
	case errors.Is(err, ErrReplaced):
		return fmt.Errorf("%w: %w", errLeaseLost, err)
	case err != nil:
		return fmt.Errorf("renew the lease: %w", err)
	}
	l.rev, l.until = rev, asked.Add(l.ttl)
	return nil
}

// Every is how often a lease is renewed; a renewal is waited for as long.
func (l *Lease) Every() time.Duration { return l.ttl / 3 }

// Keep renews the lease once. An error means that it can't be relied on any
// longer: another has it, or could have it before the next renewal.
func (l *Lease) Keep(ctx context.Context) error {
	err := l.Renew(ctx)
	switch {
	case err == nil || errors.Is(err, errLeaseLost):
		return err
	case l.clock().After(l.until.Add(-l.Every())):
		return fmt.Errorf("%w: %v", errLeaseLost, err)
	}
	return nil
}

// keep renews the lease until ctx ends or the lease can't be relied on any
// longer; the error then wraps errLeaseLost.
func (l *Lease) keep(ctx context.Context) error {
	t := time.NewTicker(l.Every())
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
		try, cancel := context.WithTimeout(ctx, l.Every())
		err := l.Keep(try)
		cancel()
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
}

// release gives the lease up, so that a standby needs not wait for its end.
func (l *Lease) release(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, l.Every())
	defer cancel()
	_ = l.Release(ctx)
}

// Release gives the lease up.
func (l *Lease) Release(ctx context.Context) error { return l.in.Delete(ctx, l.key, l.rev) }

// bucketLeases are leases in a bucket of NATS.
type bucketLeases struct{ js jetstream.JetStream }

func (b bucketLeases) Create(ctx context.Context, key string, value []byte, ttl time.Duration) (uint64, bool, error) {
	kv, err := b.js.KeyValue(ctx, LeasesBucket)
	if err != nil {
		return 0, false, err
	}
	rev, err := kv.Create(ctx, key, value, jetstream.KeyTTL(ttl))
	if errors.Is(err, jetstream.ErrKeyExists) {
		return 0, true, nil
	}
	return rev, false, err
}

func (b bucketLeases) Epoch(ctx context.Context, site queue.SiteID, holder string) (uint64, error) {
	kv, err := b.js.KeyValue(ctx, EpochsBucket)
	if err != nil {
		return 0, err
	}
	return kv.PutString(ctx, epochKey(site), holder)
}

// Renew publishes: KeyValue.Update would drop the time to live, and the lease
// would never end.
func (b bucketLeases) Renew(ctx context.Context, key string, value []byte, ttl time.Duration, rev uint64) (uint64, error) {
	ack, err := b.js.Publish(ctx, "$KV."+LeasesBucket+"."+key, value,
		jetstream.WithMsgTTL(ttl), jetstream.WithExpectLastSequencePerSubject(rev))
	if err != nil {
		return 0, replaced(err)
	}
	return ack.Sequence, nil
}

func (b bucketLeases) Delete(ctx context.Context, key string, rev uint64) error {
	kv, err := b.js.KeyValue(ctx, LeasesBucket)
	if err != nil {
		return err
	}
	return kv.Delete(ctx, key, jetstream.LastRevision(rev))
}

// replaced turns the server's word that somebody else was there into
// ErrReplaced.
func replaced(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		return fmt.Errorf("%w (%v)", ErrReplaced, err)
	}
	return err
}

// LeaderEpoch is the epoch of the dispatcher that holds a site's lease, 0 if
// none does.
func LeaderEpoch(ctx context.Context, js jetstream.JetStream, site queue.SiteID) (uint64, error) {
	_, epoch, err := Leader(ctx, js, site)
	return epoch, err
}

// Leader is the dispatcher that holds a site's lease and its epoch, nothing if
// none does.
func Leader(ctx context.Context, js jetstream.JetStream, site queue.SiteID) (holder string, epoch uint64, err error) {
	kv, err := js.KeyValue(ctx, LeasesBucket)
	if err != nil {
		return "", 0, fmt.Errorf("leader: %w", err)
	}
	e, err := kv.Get(ctx, leadKey(site))
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return "", 0, nil
	}
	if err != nil {
		return "", 0, fmt.Errorf("leader: %w", err)
	}
	var v leaseValue
	if err := json.Unmarshal(e.Value(), &v); err != nil {
		return "", 0, fmt.Errorf("leader: %w", err)
	}
	return v.Holder, v.Epoch, nil
}
