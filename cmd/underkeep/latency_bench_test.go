package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"underkeep/store"
)

const (
	latencyProperties = 1000
	latencyEvery      = 5 * time.Second
	latencyFor        = 40 * time.Second
	latencyAlarms     = 400
)

// BenchmarkAlarmLatency measures from the PUBACK of a reading to the alarm that
// it raises being listed, with 1,000 properties reporting every 5 s to the
// broker in the process. The reading is a water level above the high-water
// mark, which needs no time to be sustained, so that all of the latency is ours.
func BenchmarkAlarmLatency(b *testing.B) {
	s := latencyService(b)
	for b.Loop() {
		took := measureLatency(b, s)
		slices.Sort(took)
		at := func(share float64) float64 { return took[int(share*float64(len(took)-1))].Seconds() }
		b.ReportMetric(at(0.5), "p50-s")
		b.ReportMetric(at(0.99), "p99-s")
		b.ReportMetric(at(1), "max-s")
		b.ReportMetric(2/at(0.99), "limit/p99")
		b.ReportMetric(float64(len(took)), "alarms")
	}
}

func latencyService(b *testing.B) *service {
	b.Helper()
	cfg := &config{dataDir: b.TempDir(), mqttListen: "127.0.0.1:0", http: "127.0.0.1:0", instance: "bench"}
	s := newService(cfg, slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err := s.start(b.Context()); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.stop)
	return s
}

const latencyProperty = `
property: %s
name: Load %s
timezone: America/New_York
installed: 2026-01-05
sump: {basin_diameter: 18 in, float_on: 12 in, float_off: 6 in, high_water: 16 in}
points:
  - {id: north, measures: [rh, air-temp], every: 5m}
  - {id: south, measures: [rh, air-temp], every: 5m}
  - {id: sump, measures: [water-level]}
`

func measureLatency(b *testing.B, s *service) []time.Duration {
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	clients := latencyClients(b, s)
	var mu sync.Mutex
	acked := map[string]time.Time{} // property → PUBACK of its high water
	var wg sync.WaitGroup
	end := time.Now().Add(latencyFor)
	for id, c := range clients {
		alarmAt := time.Time{}
		if rand.Float64() < float64(latencyAlarms)/latencyProperties {
			alarmAt = time.Now().Add(5*time.Second + time.Duration(rand.Int64N(int64(latencyFor-10*time.Second))))
		}
		wg.Go(func() {
			next := time.Now().Add(time.Duration(rand.Int64N(int64(latencyEvery))))
			for ; next.Before(end); next = next.Add(latencyEvery) {
				if !alarmAt.IsZero() && alarmAt.Before(next) {
					time.Sleep(time.Until(alarmAt))
					publishPack(b, c, id, 450)
					mu.Lock()
					acked[id] = time.Now()
					mu.Unlock()
					alarmAt = time.Time{}
				}
				time.Sleep(time.Until(next))
				publishPack(b, c, id, -1)
			}
		})
	}
	seen := make(chan map[string]time.Time, 1)
	go func() { seen <- watchAlarms(ctx, s, end.Add(10*time.Second)) }()
	wg.Wait()
	var took []time.Duration
	listed := <-seen
	for id, at := range acked {
		when, ok := listed[id]
		if !ok {
			b.Fatalf("no alarm of %s was listed", id)
		}
		took = append(took, max(when.Sub(at), 0))
	}
	for _, c := range clients {
		c.Disconnect(50)
	}
	return took
}

func latencyClients(b *testing.B, s *service) map[string]mqtt.Client {
	b.Helper()
	out := map[string]mqtt.Client{}
	run := time.Now().UnixNano() % 1e6
	var credentials []store.Credentials
	for i := range latencyProperties {
		id := fmt.Sprintf("load-%d-%04d", run, i)
		if _, err := s.store.RegisterFile(b.Context(), fmt.Appendf(nil, latencyProperty, id, id), id, "bench"); err != nil {
			b.Fatal(err)
		}
		c, err := s.store.AddGateway(b.Context(), id, "gw", "bench")
		if err != nil {
			b.Fatal(err)
		}
		credentials = append(credentials, c)
	}
	if err := s.store.RefreshRegistry(b.Context()); err != nil {
		b.Fatal(err)
	}
	for _, c := range credentials {
		g, err := dialDemoGateway(s.broker.Addr().String(), c)
		if err != nil {
			b.Fatal(err)
		}
		id, _, _ := store.ParseGatewayUsername(c.Username)
		out[id] = g.client
	}
	return out
}

// publishPack sends one pack and waits for its PUBACK.
func publishPack(b *testing.B, c mqtt.Client, id string, levelMM float64) {
	now := float64(time.Now().UnixMilli()) / 1000
	pack := fmt.Sprintf(`[{"bt":%.3f,"n":"north/rh","u":"%%RH","v":51.2},{"n":"north/air-temp","u":"Cel","v":18.4},`+
		`{"n":"south/rh","u":"%%RH","v":52.6},{"n":"south/air-temp","u":"Cel","v":18.1}`, now)
	if levelMM >= 0 {
		pack += fmt.Sprintf(`,{"n":"sump/water-level","u":"mm","v":%.0f}`, levelMM)
	}
	t := c.Publish("underkeep/1/"+id+"/gw/readings", 1, false, pack+"]")
	if !t.WaitTimeout(20*time.Second) || t.Error() != nil {
		b.Errorf("publish of %s: %v", id, t.Error())
	}
}

// watchAlarms lists alarms every 20 ms and notes when each was first there.
func watchAlarms(ctx context.Context, s *service, until time.Time) map[string]time.Time {
	seen := map[string]time.Time{}
	for time.Now().Before(until) && ctx.Err() == nil {
		page, _, err := s.store.Alarms(ctx, store.AlarmQuery{Scope: store.Scope{All: true}, Limit: 1000, Now: time.Now()})
		now := time.Now()
		if err == nil {
			for _, a := range page {
				if _, ok := seen[a.Property]; !ok {
					seen[a.Property] = now
				}
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	return seen
}
