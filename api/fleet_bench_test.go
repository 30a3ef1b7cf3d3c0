package api

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
)

// BenchmarkFleet measures the first page of a fleet of 10,000 properties, by
// id as programs ask for it and by urgency as the page Today does. p99-ms is
// the slowest but one in a hundred.
func BenchmarkFleet(b *testing.B) {
	st, err := store.Open(b.Context(), pgtest.New(b, migrateTemplate), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(st.Close)
	for batch := range 50 { // a file may not be larger
		var file strings.Builder
		for i := range 200 {
			n := batch*200 + i
			fmt.Fprintf(&file, "---\nproperty: cottage-%05d\nname: Cottage %d\ntimezone: America/New_York\ninstalled: 2024-03-02\npoints:\n%s", n, n, airAndSump)
		}
		if _, err := st.RegisterFile(b.Context(), []byte(file.String()), "fleet", "bench"); err != nil {
			b.Fatal(err)
		}
	}
	source := FromStore(st, nil)
	everything := view.Scope{All: true}
	b.Run("by-urgency", func(b *testing.B) {
		measure(b, func() error {
			_, _, err := source.Urgent(b.Context(), everything, view.PropertyQuery{Limit: 50})
			return err
		})
	})
	secret, err := st.CreateToken(b.Context(), store.NewToken{Name: "bench", Role: store.RoleManager, By: "bench"})
	if err != nil {
		b.Fatal(err)
	}
	h := New(Options{Source: source})
	b.Run("api-first-page", func(b *testing.B) {
		measure(b, func() error {
			r := httptest.NewRequest(http.MethodGet, "/v1/properties", nil)
			r.Header.Set("Authorization", "Bearer "+secret)
			w := httptest.NewRecorder()
			if h.ServeHTTP(w, r); w.Code != http.StatusOK {
				return fmt.Errorf("status %d", w.Code)
			}
			return nil
		})
	})
}

func measure(b *testing.B, f func() error) {
	var times []time.Duration
	for b.Loop() {
		start := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		times = append(times, time.Since(start))
	}
	slices.Sort(times)
	b.ReportMetric(float64(times[len(times)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(times[len(times)*99/100].Microseconds())/1000, "p99-ms")
}
