package notify

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"underkeep/store"
)

// Metrics tell how deliveries go.
type Metrics struct {
	attempts *prometheus.CounterVec
	handOver *prometheus.HistogramVec
}

// NewMetrics registers them.
func NewMetrics(reg prometheus.Registerer) *Metrics {
	m := &Metrics{
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "underkeep", Subsystem: "delivery", Name: "attempts_total",
			Help: "Deliveries worked on, by channel and what came of it."}, []string{"channel", "state"}),
		handOver: prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "underkeep", Subsystem: "delivery", Name: "hand_over_seconds",
			Help:    "From the moment a delivery was due to its hand-over, for alarms.",
			Buckets: []float64{.1, .25, .5, 1, 2, 5, 10, 30, 60, 300, 900, 3600, 21600, 86400}}, []string{"channel"}),
	}
	reg.MustRegister(m.attempts, m.handOver)
	return m
}

func (m *Metrics) observe(n *store.Notice, a store.Attempted, now time.Time) {
	if m == nil {
		return
	}
	m.attempts.WithLabelValues(string(n.Channel), string(a.State)).Inc()
	if a.State == store.NoticeSent && n.Purpose == store.ToldAlarm {
		from := n.CreatedAt
		if n.DueAt.After(from) {
			from = n.DueAt
		}
		m.handOver.WithLabelValues(string(n.Channel)).Observe(now.Sub(from).Seconds())
	}
}
