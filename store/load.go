package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting/load"
)

// loadSQL takes what was annunciated in the period, and what was before and
// stood in it. A hold counts as one that lay on the alarm as it began when it
// was placed before; a hold that was taken back since has left no row, so its
// alarms count as shown, which errs towards more load.
const loadSQL = `SELECT p.name, a.condition, a.point, a.priority, a.known_at, coalesce(a.withdrawn_at, a.cleared_at),
		jsonb_array_length(a.priority_changes), a.suppressed_by IS NOT NULL, coalesce(h.kind, ''), h.held_at, h.until,
		coalesce((SELECT m.event_id FROM regional_member m WHERE m.property_id = a.property_id AND m.call_out = a.call_out AND a.suppressed_by IS NULL), 0)
	FROM alarm a JOIN property p USING (property_id)
	LEFT JOIN alarm_hold h ON h.property_id = a.property_id AND h.condition = a.condition AND h.point = a.point
	WHERE ($1 OR p.name = ANY($2)) AND a.known_at < $4
		AND (a.known_at >= $3 OR coalesce(a.withdrawn_at, a.cleared_at, 'infinity') > $3)`

// AlarmLoad lists the alarms that load.Compute needs for a period, as they
// stand at the time now.
func (s *Store) AlarmLoad(ctx context.Context, scope Scope, from, to, now time.Time) ([]load.Alarm, error) {
	all, names := scope.args()
	rows, err := s.api.Query(ctx, loadSQL, all, names, from, to)
	if err != nil {
		return nil, fmt.Errorf("alarm load from %s to %s: %w", from.Format(time.RFC3339), to.Format(time.RFC3339), err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (load.Alarm, error) { return scanLoad(r, now) })
	if err != nil {
		return nil, fmt.Errorf("alarm load from %s to %s: %w", from.Format(time.RFC3339), to.Format(time.RFC3339), err)
	}
	return out, nil
}

func scanLoad(row pgx.CollectableRow, now time.Time) (a load.Alarm, err error) {
	var ended, heldAt, until *time.Time
	var suppressed bool
	var kind string
	err = row.Scan(&a.Property, &a.Condition, &a.Point, &a.Priority, &a.KnownAt, &ended, &a.Escalations, &suppressed, &kind, &heldAt, &until, &a.RegionalEvent)
	if err != nil {
		return a, err
	}
	a.KnownAt, a.EndedAt = a.KnownAt.UTC(), instant(ended)
	if suppressed {
		a.Began, a.Now = load.SuppressedByDesign, load.SuppressedByDesign
	}
	if heldAt == nil {
		return a, nil
	}
	held := load.OutOfService
	if kind == "shelved" {
		held = load.Shelved
	}
	if until == nil || until.After(now) {
		a.Now, a.AwayAt = held, heldAt.UTC()
	}
	if !suppressed && !heldAt.After(a.KnownAt) && (until == nil || until.After(a.KnownAt)) {
		a.Began = held
	}
	return a, nil
}
