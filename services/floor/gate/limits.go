package gate

import (
	"net/http"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"tickover/services/floor/answer"
)

// Limits of one address or session; zero fields take the default.
type Limits struct {
	PerSecond float64       // requests of an address over time; default 40
	Burst     int           // and at once; default 300: a page with all it loads, some times over
	Streams   int           // open streams of a session; default 8
	Recheck   time.Duration // how often an open stream's session is looked at; default 15 s
	// LimitLoopback holds this machine to the limits too.
	LimitLoopback bool
}

func (l Limits) orDefault() Limits {
	if l.PerSecond == 0 {
		l.PerSecond = 40
	}
	if l.Burst == 0 {
		l.Burst = 300
	}
	if l.Streams == 0 {
		l.Streams = 8
	}
	if l.Recheck == 0 {
		l.Recheck = 15 * time.Second
	}
	return l
}

// addressesMax bounds how many addresses are remembered.
const addressesMax = 4096

// rates counts requests for each address.
type rates struct {
	l  Limits
	mu sync.Mutex
	by map[string]*rate.Limiter
}

func newRates(l Limits) *rates { return &rates{l: l, by: map[string]*rate.Limiter{}} }

func (x *rates) allow(address string) (time.Duration, bool) {
	if loopback(address) && !x.l.LimitLoopback {
		return 0, true
	}
	x.mu.Lock()
	lim := x.by[address]
	if lim == nil {
		if len(x.by) >= addressesMax {
			x.forget()
		}
		lim = rate.NewLimiter(rate.Limit(x.l.PerSecond), x.l.Burst)
		x.by[address] = lim
	}
	x.mu.Unlock()
	if lim.Allow() {
		return 0, true
	}
	return time.Duration(float64(time.Second) / x.l.PerSecond), false
}

// forget drops who has been quiet; if nobody has, everybody.
func (x *rates) forget() {
	for address, lim := range x.by {
		if lim.Tokens() >= float64(x.l.Burst) {
			delete(x.by, address)
		}
	}
	if len(x.by) >= addressesMax {
		clear(x.by)
	}
}

func (g *Gate) tooMany(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	w.Header().Set("Retry-After", strconv.Itoa(1+int(wait/time.Second)))
	answer.New(http.StatusTooManyRequests, CodeTooMany, "this device asks too often", "Wait a moment, then send it again.").Write(w)
}

// openings counts open streams.
type openings struct {
	mu sync.Mutex
	n  map[string]int
}

func (o *openings) add(key string, most int, bound bool) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if bound && o.n[key] >= most {
		return false
	}
	o.n[key]++
	return true
}

func (o *openings) remove(key string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.n[key]--; o.n[key] <= 0 {
		delete(o.n, key)
	}
}
