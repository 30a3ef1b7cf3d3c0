package api

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/api/view"
	"underkeep/store"
	"underkeep/store/localpg/pgtest"
)

// BenchmarkFleet measures the first page of a fleet of 10,000 properties, by
// id as programs ask for it and by urgency as the page Today does. p99-ms is
// the slowest but one in a hundred.
func BenchmarkFleet(b *testing.B) {
	url := pgtest.New(b, migrateTemplate)
	st, err := store.Open(b.Context(), url, store.Options{})
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
	populate(b, url)
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

// populate gives the fleet a past: every house heard and evaluated, twenty alarms
// over and answered, and one house in twelve with alarms that stand.
func populate(b *testing.B, url string) {
	b.Helper()
	conn, err := pgx.Connect(b.Context(), url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, statement := range []string{
		`SET underkeep.properties = 'all'`,
		`INSERT INTO gateway (property_id, gateway_id, name, secret_sha256, added_by) SELECT property_id, 0, 'gw1', sha256('x'), 'bench' FROM property`,
		`INSERT INTO gateway_status (property_id, gateway_id, heard_at) SELECT property_id, 0, now() - random() * interval '10 min' FROM property`,
		`INSERT INTO evaluation (property_id, state, watermark) SELECT property_id, '\x00', now() FROM property ON CONFLICT DO NOTHING`,
		`INSERT INTO alarm (property_id, alarm_no, condition, point, priority, raised_at, known_at, cleared_at, acknowledged_at, acknowledged_by, changed_at)
			SELECT property_id, n, 'humidity-high', 'bay', 2, t, t, t + interval '5 h', t + interval '1 h', 'bench', t
			FROM property, generate_series(1, 20) n, LATERAL (SELECT now() - n * interval '9 d' - property_id * interval '1 s' AS t) x`,
		`INSERT INTO alarm (property_id, alarm_no, condition, point, priority, raised_at, known_at, acknowledged_at, acknowledged_by, changed_at)
			SELECT property_id, 100 + n, 'wood-wet', 'bay' || n, 1 + (property_id + n) % 4, t, t, CASE WHEN n = 2 THEN t END, CASE WHEN n = 2 THEN 'bench' END, t
			FROM property, generate_series(1, 3) n, LATERAL (SELECT now() - property_id % 97 * interval '1 h' AS t) x WHERE property_id % 12 = 0`,
		`ANALYZE`,
	} {
		if _, err := conn.Exec(b.Context(), statement); err != nil {
			b.Fatalf("%s: %v", statement, err)
		}
	}
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
