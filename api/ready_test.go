package api

import (
	"context"
	"net/http"
	"sync"
	"testing"
	"time"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/site"
)

// meeting lets no check end before all have begun.
type meeting struct {
	view.Source
	all *sync.WaitGroup
}

func (m meeting) meet(ctx context.Context) error {
	m.all.Done()
	met := make(chan struct{})
	go func() {
		m.all.Wait()
		close(met)
	}()
	select {
	case <-met:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (m meeting) Ping(ctx context.Context) error { return m.meet(ctx) }

func (m meeting) PendingMigrations(ctx context.Context) (int, error) { return 0, m.meet(ctx) }

func (m meeting) EvaluationLag(ctx context.Context) (time.Duration, error) { return 0, m.meet(ctx) }

// TestReadyChecksShareNoTime: a slow check must not make the next one fail.
func TestReadyChecksShareNoTime(t *testing.T) {
	t.Parallel()
	var all sync.WaitGroup
	all.Add(3)
	g := newRig(t)
	g = newRig(t, func(o *Options) { o.Source = meeting{g.fleet, &all} })
	g.status(request{path: "/readyz"}, http.StatusOK)
}

// TestLagIsKnownToNobody: /readyz needs no token, so its queries begin with an
// empty scope, under which row-level security shows no reading that waits. What
// waits must count all the same.
func TestLagIsKnownToNobody(t *testing.T) {
	t.Parallel()
	g := newRealRig(t)
	manager := g.token(store.RoleManager)
	g.register("ibis-05", manager)
	g.record("ibis-05", store.Reading{Point: "mid-bay", Quantity: site.RH, At: g.now.Add(-time.Minute), Value: 48.5})
	g.now = g.now.Add(10 * time.Minute)
	lag, err := g.server.Source.EvaluationLag(nobody(t.Context()))
	if err != nil || lag < 9*time.Minute {
		t.Errorf("lag %s, %v", lag, err)
	}
	g.status(request{path: "/readyz"}, http.StatusServiceUnavailable)
}
