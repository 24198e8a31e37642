package metrics

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// NewRegistry returns a registry with the collectors of the Go runtime and of
// the process.
func NewRegistry() *prometheus.Registry {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return reg
}

// scrapesMax bounds scrapes that run at once.
const scrapesMax = 4

// Handler answers scrapes. sample, if set, is called before each, possibly by
// several at once, to bring gauges and held time up to the moment.
func Handler(reg *prometheus.Registry, sample func()) http.Handler {
	scrape := promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		Registry: reg, MaxRequestsInFlight: scrapesMax, EnableOpenMetrics: true,
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if sample != nil {
			sample()
		}
		scrape.ServeHTTP(w, r)
	})
}
