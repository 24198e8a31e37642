package group

import (
	"context"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/services/dispatch"
)

// NATS is what dispatchers show there.
type NATS struct{ Conn *nats.Conn }

var _ Dispatch = NATS{}

// Plan implements [Dispatch].
func (n NATS) Plan(ctx context.Context, site queue.SiteID) (*dispatch.Plan, error) {
	return dispatch.LatestPlan(ctx, n.Conn, site)
}

// Holder implements [Dispatch].
func (n NATS) Holder(ctx context.Context, site queue.SiteID) (string, uint64, error) {
	js, err := jetstream.New(n.Conn)
	if err != nil {
		return "", 0, err
	}
	return dispatch.Leader(ctx, js, site)
}
