package store

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// testNow is within the first month that migrated test databases have
// partitions for: their templates are made at the wall clock's time.
var testNow = time.Now().UTC().Truncate(time.Second)

func migrateTemplate(ctx context.Context, url string) error {
	s, err := Open(ctx, url, Options{Log: quiet()})
	if err != nil {
		return err
	}
	defer s.Close()
	return s.Migrate(ctx)
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// openTest opens a store on a fresh, migrated database.
func openTest(tb testing.TB) *Store {
	tb.Helper()
	return openURL(tb, pgtest.New(tb, migrateTemplate))
}

func openURL(tb testing.TB, url string) *Store {
	tb.Helper()
	s, err := Open(tb.Context(), url, Options{Log: quiet()})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(s.Close)
	return s
}

// cottage is a property file with two air points, a sump and a gauge.
func cottage(id string) string {
	return fmt.Sprintf(`property: %s
name: Cottage %s
timezone: America/New_York
installed: 2024-03-02
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
  - {id: south-bay, measures: [rh, air-temp], every: 5m}
  - {id: sump, measures: [pump-run, high-water]}
  - {id: gauge, measures: [rain]}
`, id, id)
}

func register(tb testing.TB, s *Store, file string) Registration {
	tb.Helper()
	desc, err := site.ParseProperty([]byte(file), "test.yaml")
	if err != nil {
		tb.Fatal(err)
	}
	r, err := s.Register(tb.Context(), []byte(file), desc, "test")
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// withCottages registers properties, each with a gateway "main".
func withCottages(tb testing.TB, s *Store, ids ...string) {
	tb.Helper()
	for _, id := range ids {
		register(tb, s, cottage(id))
		if _, err := s.AddGateway(tb.Context(), id, "main", "test"); err != nil {
			tb.Fatal(err)
		}
	}
}

// message is a delivery of one reading.
func message(property, point string, q site.Quantity, at time.Time, value float64) Delivery {
	return Delivery{Property: property, Gateway: "main", Received: testNow,
		Readings: []Reading{{Point: point, Quantity: q, At: at, Value: value}}}
}

func record(tb testing.TB, s *Store, d ...Delivery) Recorded {
	tb.Helper()
	out, err := s.Record(tb.Context(), d)
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// count answers a query of one number.
func count(tb testing.TB, s *Store, sql string, args ...any) int {
	tb.Helper()
	var n int
	if err := s.owner.QueryRow(tb.Context(), sql, args...).Scan(&n); err != nil {
		tb.Fatalf("%s: %v", sql, err)
	}
	return n
}

// dump lists what a query returns, one line a row, for comparing whole tables.
func dump(tb testing.TB, s *Store, sql string, args ...any) string {
	tb.Helper()
	rows, err := s.owner.Query(tb.Context(), sql, args...)
	if err != nil {
		tb.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (string, error) {
		v, err := r.Values()
		return strings.TrimSpace(fmt.Sprintln(v...)), err
	})
	if err != nil {
		tb.Fatal(err)
	}
	return strings.Join(lines, "\n")
}

// eventually polls until ok, at most ten seconds.
func eventually(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	deadline := time.Now().Add(10 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			tb.Fatalf("%s: not within ten seconds", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}
