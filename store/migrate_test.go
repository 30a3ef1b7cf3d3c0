package store

import (
	"sync"
	"testing"
	"time"

	"underkeep/store/localpg/pgtest"
)

// Several instances start at once on an empty database, and again later.
func TestMigrateAtOnceAndAgain(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t)
	var wg sync.WaitGroup
	for range 3 {
		s := openURL(t, url)
		wg.Go(func() {
			if err := s.Migrate(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	s := openURL(t, url)
	if err := s.Migrate(t.Context()); err != nil {
		t.Error(err)
	}
	if ahead, err := s.PartitionsAhead(t.Context(), time.Now()); err != nil || ahead != partitionsAhead {
		t.Errorf("%d partitions ahead, %v; want %d", ahead, err, partitionsAhead)
	}
}

// An older release works on a database that a newer one has migrated.
func TestMigrateLeavesANewerSchemaAlone(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	const newer = `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)`
	if _, err := s.owner.Exec(t.Context(), newer); err != nil {
		t.Fatal(err)
	}
	if _, err := s.owner.Exec(t.Context(), `ALTER TABLE readings ADD COLUMN later int; ALTER TABLE alarm ADD COLUMN later int DEFAULT 1`); err != nil {
		t.Fatal(err)
	}
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	withCottages(t, s, "heron-07")
	if got := record(t, s, series(100)); got.Stored != 100 {
		t.Errorf("%+v", got)
	}
	if out := evaluateAll(t, s, testNow); out.Properties != 1 {
		t.Errorf("%+v", out)
	}
}

// Whatever grows with the fleet can be spread by property; what cannot says so.
func TestPropertyLeadsEveryPrimaryKey(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	got := dump(t, s, `
		SELECT c.relname, split_part(coalesce(obj_description(c.oid, 'pg_class'), 'says nothing'), ':', 1)
		FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		LEFT JOIN pg_index i ON i.indrelid = c.oid AND i.indisprimary
		LEFT JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = i.indkey[0]
		WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') AND NOT c.relispartition AND c.relname NOT LIKE 'goose%'
			AND a.attname IS DISTINCT FROM 'property_id'
			AND coalesce(obj_description(c.oid, 'pg_class'), '') !~ '^(reference|local): ' ORDER BY 1`)
	if got != "" {
		t.Errorf("neither led by their property nor said to be local:\n%s", got)
	}
	silent := count(t, s, `SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') AND NOT c.relispartition AND c.relname NOT LIKE 'goose%'
			AND coalesce(obj_description(c.oid, 'pg_class'), '') !~ '^(by property|reference|local): '`)
	if silent != 0 {
		t.Errorf("%d tables do not say how they would be spread", silent)
	}
}

// The session's zone must not move a month's bounds, nor a change to summer
// time.
func TestPartitionBoundsAreUTC(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	if err := s.ensureMonth(t.Context(), monthOf(time.Date(2026, 3, 8, 12, 0, 0, 0, time.UTC))); err != nil {
		t.Fatal(err)
	}
	conn, err := s.owner.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	var bounds string
	if err := conn.QueryRow(t.Context(), `SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE relname = 'readings_y2026m03'`).Scan(&bounds); err != nil {
		t.Fatal(err)
	}
	if want := "FOR VALUES FROM ('2026-03-01 00:00:00+00') TO ('2026-04-01 00:00:00+00')"; bounds != want {
		t.Errorf("bounds %s, want %s", bounds, want)
	}
	var zone string
	if err := conn.QueryRow(t.Context(), `SHOW timezone`).Scan(&zone); err != nil || zone != "UTC" {
		t.Errorf("session zone %s, %v", zone, err)
	}
}

func TestMonths(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 12, 31, 23, 59, 59, 0, time.FixedZone("", -5*3600))
	m := monthOf(at)
	if got := m.partition("readings"); got != "readings_y2027m01" {
		t.Errorf("partition %s", got)
	}
	if got := m.start(); !got.Equal(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("start %v", got)
	}
	if got := (m - 1).start(); got.Month() != time.December || got.Year() != 2026 {
		t.Errorf("month before begins %v", got)
	}
}
