package dispatch

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	fastjson "github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"
	"github.com/klauspost/compress/gzip"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// What lies on NATS. All of it is derived and, but for the epochs, in memory.
const (
	// PlansBucket holds the plan in force of each site, keyed by the site; a
	// new one is also published on the subject "plan.<site>". A plan is JSON,
	// compressed by gzip when it is large.
	PlansBucket = "PLANS"
	// LeasesBucket holds the leases, key "dispatch.<site>", and who shares the
	// sites, "peer.<name>". Renewals are many and worth nothing after a restart:
	// on disk, each would cost what an entry of the log costs.
	LeasesBucket = "LEASES"
	// EpochsBucket counts the dispatchers of a site, key "epoch.<site>": the
	// revision is the epoch. It is on disk, so that epochs grow over restarts.
	// Earlier versions kept the leases here too.
	EpochsBucket = "LEAD"
	// WorkStream is the work queues of the stations: subjects
	// "work.<site>.<station>", one message each, a JSON [Offer].
	WorkStream = "WORK"
)

// WorkSubject is the work queue of a station.
func WorkSubject(site queue.SiteID, s Station) string {
	return "work." + string(site) + "." + string(s)
}

// WorkConsumer names the durable consumer of a station's work queue.
func WorkConsumer(site queue.SiteID, s Station) string {
	return string(site) + "_" + strings.ReplaceAll(string(s), ".", "=")
}

// ResendSubject takes requests to offer a station's job again; the payload is
// the station.
func ResendSubject(site queue.SiteID) string { return "resend." + string(site) }

func leadKey(site queue.SiteID) string { return "dispatch." + string(site) }

func epochKey(site queue.SiteID) string { return "epoch." + string(site) }

// Bounds of what is read from the wire.
const (
	planBytesMax  = 32 << 20
	gzipPlanAbove = 128 << 10
)

// Provision makes what dispatchers, benches and readers of plans share.
// What exists is brought in line with replicas; with replicas 0 or less it stays
// as it is, and what is missing is made with -replicas, one at least.
func Provision(ctx context.Context, nc *nats.Conn, replicas int) (jetstream.JetStream, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("dispatch: %w", err)
	}
	for _, c := range []jetstream.KeyValueConfig{{
		Bucket: PlansBucket, Description: "the plan in force of each site", Storage: jetstream.MemoryStorage,
		RePublish: &jetstream.RePublish{Source: "$KV." + PlansBucket + ".*", Destination: "plan.{{wildcard(1)}}"},
	}, {
		Bucket: LeasesBucket, Description: "who dispatches which site", Storage: jetstream.MemoryStorage, LimitMarkerTTL: leaseMin,
	}, {
		// Leases lay here with ends of their own; what ends them stays on.
		Bucket: EpochsBucket, Description: "how often each site changed hands", Storage: jetstream.FileStorage, LimitMarkerTTL: leaseMin,
	}} {
		if _, err := Bucket(ctx, js, c, replicas); err != nil {
			return nil, err
		}
	}
	work := jetstream.StreamConfig{
		Name: WorkStream, Description: "the next job of each station", Subjects: []string{"work.>"},
		Retention: jetstream.WorkQueuePolicy, Storage: jetstream.MemoryStorage, Replicas: copies(replicas),
		MaxMsgsPerSubject: 1, Discard: jetstream.DiscardOld, MaxMsgSize: offerBytesMax,
	}
	if replicas > 0 {
		_, err = js.CreateOrUpdateStream(ctx, work)
	} else if _, err = js.Stream(ctx, WorkStream); errors.Is(err, jetstream.ErrStreamNotFound) {
		_, err = js.CreateStream(ctx, work)
	}
	if err != nil {
		return nil, fmt.Errorf("make stream %s: %w", WorkStream, err)
	}
	return js, nil
}

// copies is the number of replicas to make something with, see [Provision].
func copies(replicas int) int {
	if replicas < 0 {
		replicas = -replicas
	}
	return max(1, replicas)
}

// Bucket returns a bucket that keeps one value a key, and makes it if need be;
// replicas as for [Provision].
func Bucket(ctx context.Context, js jetstream.JetStream, c jetstream.KeyValueConfig, replicas int) (jetstream.KeyValue, error) {
	c.History, c.Replicas = 1, copies(replicas)
	var kv jetstream.KeyValue
	var err error
	if replicas > 0 {
		kv, err = js.CreateOrUpdateKeyValue(ctx, c)
	} else if kv, err = js.KeyValue(ctx, c.Bucket); errors.Is(err, jetstream.ErrBucketNotFound) {
		// Servers that don't answer are no reason to make it anew, with fewer
		// replicas perhaps.
		kv, err = js.CreateKeyValue(ctx, c)
	}
	if err != nil {
		return nil, fmt.Errorf("make bucket %s: %w", c.Bucket, err)
	}
	return kv, nil
}

const offerBytesMax = 64 << 10

// asAlways writes what encoding/json writes, in half the time.
var asAlways = jsonv1.DefaultOptionsV1()

// planWriters are kept because a plan of a hundred units is half a megabyte of
// JSON, and the tables of gzip as much.
var planWriters = sync.Pool{New: func() any {
	z, err := gzip.NewWriterLevel(nil, gzip.BestSpeed)
	if err != nil {
		panic(err) // the level is one
	}
	return &planWriter{zip: z}
}}

type planWriter struct {
	json bytes.Buffer
	zip  *gzip.Writer
}

func encodePlan(p *Plan) ([]byte, error) {
	w := planWriters.Get().(*planWriter)
	defer planWriters.Put(w)
	w.json.Reset()
	if err := fastjson.MarshalWrite(&w.json, p, asAlways); err != nil {
		return nil, err
	}
	if w.json.Len() < gzipPlanAbove {
		return bytes.Clone(w.json.Bytes()), nil
	}
	var out bytes.Buffer
	w.zip.Reset(&out)
	if _, err := w.zip.Write(w.json.Bytes()); err != nil {
		return nil, err
	}
	err := w.zip.Close()
	return out.Bytes(), err
}

// DecodePlan reads a plan's bytes as they are published.
func DecodePlan(b []byte) (*Plan, error) {
	if bytes.HasPrefix(b, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
		if b, err = io.ReadAll(io.LimitReader(z, planBytesMax+1)); err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
	}
	if len(b) > planBytesMax {
		return nil, fmt.Errorf("plan of more than %d bytes", planBytesMax)
	}
	p := &Plan{}
	if err := json.Unmarshal(b, p); err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	return p, nil
}

// DecodeOffer reads an offer as it lies on a work queue.
func DecodeOffer(b []byte) (Offer, error) {
	var o Offer
	if err := json.Unmarshal(b, &o); err != nil {
		return Offer{}, fmt.Errorf("offer: %w", err)
	}
	return o, nil
}

// LatestPlan returns the plan in force of a site, nil if there is none.
func LatestPlan(ctx context.Context, nc *nats.Conn, site queue.SiteID) (*Plan, error) {
	p, _, err := latestPlan(ctx, nc, site)
	return p, err
}

// latestPlan returns its revision too. One that can't be read is an error, with
// its revision.
func latestPlan(ctx context.Context, nc *nats.Conn, site queue.SiteID) (*Plan, uint64, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, 0, fmt.Errorf("latest plan: %w", err)
	}
	kv, err := js.KeyValue(ctx, PlansBucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("latest plan: %w", err)
	}
	e, err := kv.Get(ctx, string(site))
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("latest plan: %w", err)
	}
	p, err := DecodePlan(e.Value())
	return p, e.Revision(), err
}

// FollowPlans calls fn with the plan in force of a site and with each later
// one, on one goroutine, until ctx ends; plans that come while fn works may be
// left out but for the newest. It survives reconnects and waits for a server
// that is away. A plan that can't be read is left out.
func FollowPlans(ctx context.Context, nc *nats.Conn, site queue.SiteID, fn func(*Plan)) error {
	return Follow(ctx, nc, PlansBucket, string(site), func(e jetstream.KeyValueEntry, more <-chan jetstream.KeyValueEntry) {
		if e = newest(e, more); e == nil || e.Operation() != jetstream.KeyValuePut {
			return
		}
		if p, err := DecodePlan(e.Value()); err == nil {
			fn(p)
		}
	})
}

const retryAfter = 500 * time.Millisecond

// Follow calls fn with what the keys of a bucket hold and with each change, on
// one goroutine, until ctx ends; more are the changes that wait. An entry is
// nil when all that was there has been told. It waits for a bucket that nobody
// has made yet and for a server that is away; the error tells of a connection
// that was closed for good.
func Follow(ctx context.Context, nc *nats.Conn, bucket, keys string, fn func(e jetstream.KeyValueEntry, more <-chan jetstream.KeyValueEntry)) error {
	for {
		err := followOnce(ctx, nc, bucket, keys, fn)
		if ctx.Err() != nil {
			return nil
		}
		if nc.IsClosed() {
			return fmt.Errorf("follow %s of %s: %w", keys, bucket, errors.Join(nats.ErrConnectionClosed, err))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(retryAfter):
		}
	}
}

func followOnce(ctx context.Context, nc *nats.Conn, bucket, keys string, fn func(jetstream.KeyValueEntry, <-chan jetstream.KeyValueEntry)) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	kv, err := js.KeyValue(ctx, bucket)
	if err != nil {
		return err // nobody has made it yet
	}
	w, err := kv.Watch(ctx, keys)
	if err != nil {
		return err
	}
	defer func() { _ = w.Stop() }()
	for {
		select {
		case <-ctx.Done():
			return nil
		case e, ok := <-w.Updates():
			if !ok {
				return errors.New("watch ended")
			}
			fn(e, w.Updates())
		}
	}
}

// newest skips updates that others followed already.
func newest(e jetstream.KeyValueEntry, more <-chan jetstream.KeyValueEntry) jetstream.KeyValueEntry {
	for {
		select {
		case next, ok := <-more:
			if !ok {
				return e
			}
			if next != nil { // nil: all initial values were delivered
				e = next
			}
		default:
			return e
		}
	}
}
