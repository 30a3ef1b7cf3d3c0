package store

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"underkeep/store/site"
)

// TestSummedIsWhatWasStored holds the sums of a property against those worked
// out in the test from what was sent, while days are sealed, raw rows are
// dropped and readings come late: before and after they were looked at, before
// and after they were amended.
func TestSummedIsWhatWasStored(t *testing.T) {
	t.Parallel()
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			const days = 30 // into April
			r := rand.New(rand.NewPCG(seed, 99))
			s := openSealing(t, "heron-07")
			sent := history("heron-07", days, seed)
			var kept, held []Delivery
			for _, d := range sent {
				if r.IntN(40) == 0 {
					held = append(held, d) // comes late
				} else {
					kept = append(kept, d)
				}
			}
			sendAll(t, s.Store, kept)
			now := sealFrom.AddDate(0, 0, days+1)
			check := func(when string) {
				t.Helper()
				for _, width := range []time.Duration{time.Hour, 36 * time.Hour} {
					q := SumQuery{Property: "heron-07", From: sealFrom.Add(90 * time.Minute), To: sealFrom.AddDate(0, 0, days).Add(-30 * time.Minute), Width: width}
					got, err := s.Summed(t.Context(), q)
					if err != nil {
						t.Fatal(err)
					}
					if diff := cmp.Diff(sumsOf(kept, q), bySeries(got), cmpopts.EquateApprox(1e-12, 0)); diff != "" {
						t.Fatalf("%s, by %s (-sent +summed):\n%.3000s", when, width, diff)
					}
				}
				columnsAsSamples(t, s.Store, ColumnQuery{Property: "heron-07", Point: "north-bay", Quantities: []site.Quantity{site.RH, site.AirTemp}})
			}
			check("before anything is sealed")
			drop := func() {
				s.hot = time.Hour
				s.seal(t, now)
				s.seal(t, now.Add(dropAfter))
				s.hot = 0
			}
			evaluateAll(t, s.Store, time.Now())
			s.seal(t, sealFrom.AddDate(0, 0, days/2))
			check("half sealed")
			for len(held) > 0 {
				n := min(len(held), 1+r.IntN(12))
				for _, d := range held[:n] {
					d.Received = now
					record(t, s.Store, d)
				}
				kept, held = append(kept, held[:n]...), held[n:]
				switch r.IntN(5) {
				case 0:
					evaluateAll(t, s.Store, time.Now())
				case 1:
					s.seal(t, now)
				case 2:
					evaluateAll(t, s.Store, time.Now())
					s.seal(t, now)
				case 3:
					drop()
				}
				check(fmt.Sprintf("with %d to come", len(held)))
			}
			evaluateAll(t, s.Store, time.Now())
			drop()
			check("sealed and dropped")
			s.whole(t)
		})
	}
}

func bySeries(list []SummedSeries) map[string][]Bucket {
	out := map[string][]Bucket{}
	for _, s := range list {
		out[fmt.Sprint(s.Point, "/", s.Quantity)] = s.Buckets
	}
	return out
}

// sumsOf works out from deliveries what Summed must say.
func sumsOf(sent []Delivery, q SumQuery) map[string][]Bucket {
	values := map[string]map[int64][]float64{}
	for _, d := range sent {
		for _, r := range d.Readings {
			if r.At.Before(q.From) || !r.At.Before(q.To) {
				continue
			}
			name := fmt.Sprint(r.Point, "/", r.Quantity)
			if values[name] == nil {
				values[name] = map[int64][]float64{}
			}
			k := int64(r.At.Sub(q.From) / q.Width)
			values[name][k] = append(values[name][k], r.Value)
		}
	}
	out := map[string][]Bucket{}
	for name, steps := range values {
		for k, v := range steps {
			b := Bucket{At: q.From.Add(time.Duration(k) * q.Width).UTC(), Low: slices.Min(v), High: slices.Max(v), Count: len(v)}
			for _, x := range v {
				b.Sum += x
			}
			b.Mean = b.Sum / float64(len(v))
			out[name] = append(out[name], b)
		}
		slices.SortFunc(out[name], func(a, b Bucket) int { return a.At.Compare(b.At) })
	}
	return out
}
