package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// BenchmarkEvaluate is a fleet of 200 cottages with a week of history, each
// sending its four air readings every five minutes; a round is one such pack
// of every cottage, recorded and evaluated. The cost of recording is given
// beside it.
func BenchmarkEvaluate(b *testing.B) {
	const fleet = 200
	s, ids := openDurable(b, fleet)
	now := testNow.Truncate(5 * time.Minute).Add(-7 * 24 * time.Hour)
	history := func(until time.Time) {
		for _, id := range ids {
			d := Delivery{Property: id, Gateway: "main", Received: until}
			for at := now; at.Before(until); at = at.Add(5 * time.Minute) {
				d.Readings = append(d.Readings, airPack(at)...)
			}
			record(b, s, d)
		}
		now = until
	}
	history(testNow.Truncate(5 * time.Minute).Add(-24 * time.Hour))
	evaluateAll(b, s, now)
	var recording, evaluating time.Duration
	for b.Loop() {
		now = now.Add(5 * time.Second) // densely, so that many rounds fit into a day
		batch := make([]Delivery, 0, fleet)
		for _, id := range ids {
			batch = append(batch, Delivery{Property: id, Gateway: "main", Received: now, Readings: airPack(now)})
		}
		began := time.Now()
		record(b, s, batch...)
		recorded := time.Now()
		if out := evaluateAll(b, s, now); out.Properties != fleet || out.Late != 0 {
			b.Fatalf("%+v", out)
		}
		recording += recorded.Sub(began)
		evaluating += time.Since(recorded)
	}
	rounds := float64(b.N)
	b.ReportMetric(rounds*fleet/evaluating.Seconds(), "properties/s")
	b.ReportMetric(float64(evaluating)/float64(recording), "of-recording")
	b.ReportMetric(float64(count(b, s, `SELECT avg(length(state))::int FROM evaluation`)), "state-bytes")
}

func airPack(at time.Time) []Reading {
	var out []Reading
	for i, series := range streamSeries {
		v := 50 + float64(at.Unix()/300%7)/10
		if series.quantity == site.AirTemp {
			v = 18
		}
		out = append(out, Reading{Point: series.point, Quantity: series.quantity, At: at, Value: v + float64(i)/10})
	}
	return out
}

// BenchmarkEvaluateLate has every cottage forward one old reading, from
// different times ago.
func BenchmarkEvaluateLate(b *testing.B) {
	for _, ago := range []time.Duration{7 * time.Minute, 12 * time.Hour, 6 * 24 * time.Hour} {
		b.Run(fmt.Sprint(ago), func(b *testing.B) {
			s, ids := openDurable(b, 1)
			end := testNow.Truncate(5 * time.Minute)
			d := Delivery{Property: ids[0], Gateway: "main", Received: end}
			for at := end.Add(-7 * 24 * time.Hour); at.Before(end); at = at.Add(5 * time.Minute) {
				d.Readings = append(d.Readings, airPack(at)...)
			}
			record(b, s, d)
			evaluateAll(b, s, end)
			n := 0
			for b.Loop() {
				n++
				m := message(ids[0], "north-bay", site.RH, end.Add(-ago).Add(time.Duration(n)*time.Millisecond), 50)
				m.Received = end
				record(b, s, m)
				if out := evaluateAll(b, s, end); out.Late != 1 {
					b.Fatalf("%+v", out)
				}
			}
		})
	}
}

// BenchmarkLag is 1,000 cottages that report every five seconds, one message
// each, for as long as it runs; it gives how long after its receipt a reading
// had been evaluated, alarms and all.
func BenchmarkLag(b *testing.B) {
	const fleet, every = 1000, 5 * time.Second
	s := openURL(b, pgtest.Durable(b).URL())
	if err := s.Migrate(b.Context()); err != nil {
		b.Fatal(err)
	}
	ids := manyCottages(b, s, fleet)
	evaluateAll(b, s, time.Now())
	var mu sync.Mutex
	var lags []time.Duration
	ctx, cancel := context.WithCancel(b.Context())
	var workers sync.WaitGroup
	workers.Go(func() {
		s.RunEvaluators(ctx, 2, func(e Evaluated) {
			if !e.Oldest.IsZero() {
				mu.Lock()
				lags = append(lags, time.Since(e.Oldest))
				mu.Unlock()
			}
		})
	})
	tick := time.NewTicker(every / fleet)
	defer tick.Stop()
	n := 0
	for b.Loop() {
		<-tick.C
		now := time.Now()
		record(b, s, Delivery{Property: ids[n%fleet], Gateway: "main", Received: now, Readings: airPack(now)})
		n++
	}
	cancel()
	workers.Wait()
	slices.Sort(lags)
	if len(lags) > 0 {
		b.ReportMetric(float64(lags[len(lags)/2].Milliseconds()), "p50-ms")
		b.ReportMetric(float64(lags[len(lags)*99/100].Milliseconds()), "p99-ms")
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "messages/s")
}

// manyCottages registers a fleet in one go.
func manyCottages(b *testing.B, s *Store, n int) []string {
	b.Helper()
	var file strings.Builder
	ids := make([]string, n)
	for i := range ids {
		ids[i] = fmt.Sprintf("cottage-%d", i)
		file.WriteString("---\n" + cottage(ids[i]))
	}
	for chunk := range slices.Chunk(strings.SplitAfter(file.String(), "---\n")[1:], 50) {
		if _, err := s.RegisterFile(b.Context(), []byte("---\n"+strings.Join(chunk, "")), "fleet.yaml", "test"); err != nil {
			b.Fatal(err)
		}
	}
	if _, err := s.owner.Exec(b.Context(), `INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by)
		SELECT property_id, 0, 'main', sha256('x'), 'test' FROM property; UPDATE property SET revision = revision + 1`); err != nil {
		b.Fatal(err)
	}
	if err := s.RefreshRegistry(b.Context()); err != nil {
		b.Fatal(err)
	}
	return ids
}
