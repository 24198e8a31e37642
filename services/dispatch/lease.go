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

// errLeaseLost: another dispatcher has the site, or could have it.
var errLeaseLost = errors.New("lease lost")

// lease is the right to dispatch a site. It alone does not exclude a second
// holder for a moment; the epoch that goes with every offer does.
type lease struct {
	js    jetstream.JetStream
	kv    jetstream.KeyValue
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

// tryLease returns nil when another holds it.
func tryLease(ctx context.Context, js jetstream.JetStream, site queue.SiteID, holder string, ttl time.Duration) (*lease, error) {
	kv, err := js.KeyValue(ctx, LeadBucket)
	if err != nil {
		return nil, fmt.Errorf("lease: %w", err)
	}
	l := &lease{js: js, kv: kv, key: leadKey(site), ttl: ttl, value: leaseValue{Holder: holder}}
	asked := time.Now()
	b, _ := json.Marshal(l.value)
	l.rev, err = kv.Create(ctx, l.key, b, jetstream.KeyTTL(ttl))
	if errors.Is(err, jetstream.ErrKeyExists) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("lease: %w", err)
	}
	l.value.Epoch, l.until = l.rev, asked.Add(ttl)
	if err := l.renew(ctx); err != nil {
		return nil, err
	}
	return l, nil
}

// epoch is the fencing token: later holders have larger ones.
func (l *lease) epoch() uint64 { return l.value.Epoch }

// renew prolongs the lease. KeyValue.Update would drop the time to live, and
// the lease would never end: publish with both instead.
func (l *lease) renew(ctx context.Context) error {
	asked := time.Now()
	b, _ := json.Marshal(l.value)
	ack, err := l.js.Publish(ctx, "$KV."+LeadBucket+"."+l.key, b,
		jetstream.WithMsgTTL(l.ttl), jetstream.WithExpectLastSequencePerSubject(l.rev))
	if err == nil {
		l.rev, l.until = ack.Sequence, asked.Add(l.ttl)
		return nil
	}
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
		return fmt.Errorf("%w: another dispatcher took it over", errLeaseLost)
	}
	return fmt.Errorf("renew the lease: %w", err)
}

// keep renews the lease until ctx ends or the lease can't be relied on any
// longer; the error then wraps errLeaseLost.
func (l *lease) keep(ctx context.Context) error {
	t := time.NewTicker(l.ttl / 3)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
		try, cancel := context.WithTimeout(ctx, l.ttl/3)
		err := l.renew(try)
		cancel()
		switch {
		case err == nil || ctx.Err() != nil:
		case errors.Is(err, errLeaseLost):
			return err
		case time.Now().After(l.until.Add(-l.ttl / 3)):
			return fmt.Errorf("%w: %v", errLeaseLost, err)
		}
	}
}

// release gives the lease up, so that a standby needs not wait for its end.
func (l *lease) release(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, l.ttl/3)
	defer cancel()
	_ = l.kv.Delete(ctx, l.key, jetstream.LastRevision(l.rev))
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
	kv, err := js.KeyValue(ctx, LeadBucket)
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
