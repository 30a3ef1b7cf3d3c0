package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"underkeep/migrations"
)

// CountAlarms counts alarms by state at the time now, withdrawn ones left out.
func (s *Store) CountAlarms(ctx context.Context, now time.Time) (map[AlarmState]int, error) {
	rows, err := s.api.Query(asService(ctx), `SELECT `+stateSQL+` AS state, count(*)`+alarmFrom+`WHERE a.withdrawn_at IS NULL GROUP BY state`, now)
	if err != nil {
		return nil, fmt.Errorf("count alarms: %w", err)
	}
	out := make(map[AlarmState]int)
	var state AlarmState
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&state, &n}, func() error { out[state] = n; return nil }); err != nil {
		return nil, fmt.Errorf("count alarms: %w", err)
	}
	return out, nil
}

// EvaluationLag is how long ago, at the time now, the oldest thing that waits
// for evaluation was received; 0 when nothing waits. Properties whose
// evaluation fails are left out: they are shown as failing, and would else make
// the service look late for as long as they do.
func (s *Store) EvaluationLag(ctx context.Context, now time.Time) (time.Duration, error) {
	var oldest *time.Time
	err := s.api.QueryRow(asService(ctx), `SELECT min(d.received_at) FROM due d
		WHERE NOT EXISTS (SELECT FROM evaluation e WHERE e.property_id = d.property_id AND e.failures > 0)`).Scan(&oldest)
	if err != nil {
		return 0, fmt.Errorf("ask how far evaluation is behind: %w", err)
	}
	if oldest == nil {
		return 0, nil
	}
	return max(0, now.Sub(*oldest)), nil
}

// FleetCounts sums up the fleet of a scope.
type FleetCounts struct {
	Properties int
	ByPriority [5]int   // by the highest open priority, as in PropertyStatus; [0] none
	Areas      []string // sorted, without ""
}

// CountFleet sums up every property in scope at the time now.
func (s *Store) CountFleet(ctx context.Context, scope Scope, now time.Time) (FleetCounts, error) {
	all, names := scope.args()
	var c FleetCounts
	rows, err := s.api.Query(ctx, `WITH worst AS (
			SELECT a.property_id, max(a.priority) AS priority FROM alarm a LEFT JOIN alarm_hold h USING (property_id, condition, point)
			WHERE a.withdrawn_at IS NULL AND a.cleared_at IS NULL AND a.suppressed_by IS NULL
				AND (h.kind IS NULL OR h.until <= $1)
			GROUP BY a.property_id)
		SELECT coalesce(w.priority, 0), count(*), array_agg(DISTINCT p.area ORDER BY p.area)
		FROM property p LEFT JOIN worst w USING (property_id)
		WHERE $2 OR p.name = ANY($3) GROUP BY 1`, now, all, names)
	if err != nil {
		return c, fmt.Errorf("count the fleet: %w", err)
	}
	var priority int16
	var n int
	var areas []string
	seen := make(map[string]bool)
	_, err = pgx.ForEachRow(rows, []any{&priority, &n, &areas}, func() error {
		c.ByPriority[priority] = n
		c.Properties += n
		for _, a := range areas {
			seen[a] = true
		}
		return nil
	})
	if err != nil {
		return c, fmt.Errorf("count the fleet: %w", err)
	}
	delete(seen, "")
	c.Areas = slices.Sorted(maps.Keys(seen))
	return c, nil
}

// PendingMigrations is how many migrations of this release the database still
// lacks.
func (s *Store) PendingMigrations(ctx context.Context) (int, error) {
	db := stdlib.OpenDBFromPool(s.api.pool)
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return 0, fmt.Errorf("read migrations: %w", err)
	}
	states, err := provider.Status(ctx)
	if err != nil {
		return 0, fmt.Errorf("ask which migrations are done: %w", err)
	}
	n := 0
	for _, m := range states {
		if m.State == goose.StatePending {
			n++
		}
	}
	return n, nil
}
