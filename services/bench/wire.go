package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/dispatch"
)

// AlertsBucket holds the present alerts of each station: key
// "<site>.<station>", a JSON array of [Alert]. It is in memory; a worker that
// starts raises again what is still true.
const AlertsBucket = "ALERTS"

// AlertSubject is where a station's alerts are published as they are raised
// and cleared, each a JSON [Alert].
func AlertSubject(site queue.SiteID, s dispatch.Station) string {
	return "alert." + string(site) + "." + string(s)
}

func alertKey(site queue.SiteID, s dispatch.Station) string { return string(site) + "." + string(s) }

// Provision makes what workers need on NATS and have no right to make
// themselves.
func Provision(ctx context.Context, js jetstream.JetStream, replicas int) error {
	_, err := provisionAlerts(ctx, js, replicas)
	return err
}

func provisionAlerts(ctx context.Context, js jetstream.JetStream, replicas int) (jetstream.KeyValue, error) {
	return dispatch.Bucket(ctx, js, jetstream.KeyValueConfig{
		Bucket: AlertsBucket, Description: "the present alerts of each station", Storage: jetstream.MemoryStorage,
	}, replicas)
}

// restore takes over what was raised before a restart, so that it is not
// raised twice.
func (w *Worker) restore(ctx context.Context) {
	e, err := w.alerts.Get(ctx, alertKey(w.c.Site, w.c.Station))
	if err != nil {
		if !errors.Is(err, jetstream.ErrKeyNotFound) {
			w.log.Warn("alerts of before not read", zap.Error(err))
		}
		w.mu.Lock()
		w.station.Restore(nil)
		w.mu.Unlock()
		return
	}
	if alerts, err := DecodeAlerts(e.Value()); err == nil {
		w.mu.Lock()
		w.station.Restore(alerts)
		w.mu.Unlock()
	}
}

// store keeps the present alerts readable.
func (w *Worker) store(ctx context.Context, current []Alert) {
	b, err := json.Marshal(current)
	if err == nil {
		_, err = w.alerts.Put(ctx, alertKey(w.c.Site, w.c.Station), b)
	}
	if err != nil && ctx.Err() == nil {
		w.log.Warn("alerts not published", zap.Error(err))
	}
}

// DecodeAlerts reads the alerts of a station as they are kept.
func DecodeAlerts(b []byte) ([]Alert, error) {
	var alerts []Alert
	if err := json.Unmarshal(b, &alerts); err != nil {
		return nil, fmt.Errorf("alerts: %w", err)
	}
	return alerts, nil
}

// FollowAlerts calls fn with the present alerts of each station of a site and
// then with each change, on one goroutine, until ctx ends.
func FollowAlerts(ctx context.Context, nc *nats.Conn, site queue.SiteID, fn func(dispatch.Station, []Alert)) error {
	return dispatch.Follow(ctx, nc, AlertsBucket, string(site)+".>", func(e jetstream.KeyValueEntry, _ <-chan jetstream.KeyValueEntry) {
		if e == nil || e.Operation() != jetstream.KeyValuePut {
			return
		}
		if alerts, err := DecodeAlerts(e.Value()); err == nil {
			fn(dispatch.Station(strings.TrimPrefix(e.Key(), string(site)+".")), alerts)
		}
	})
}
