package dispatch

import (
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
)

// BoardOn is a site's board on NATS.
func BoardOn(nc *nats.Conn, js jetstream.JetStream, site queue.SiteID) Board {
	return &natsBoard{nc, js, site}
}

// LeasesOn are the leases on NATS.
func LeasesOn(js jetstream.JetStream) Leases { return bucketLeases{js} }

// LeaseTTL is how long a lease lasts if nothing else is said.
const LeaseTTL = leaseTTL

// Wall is the clock of a service.
var Wall = time.Now

// EncodePlan are a plan's bytes as they are published.
var EncodePlan = encodePlan
