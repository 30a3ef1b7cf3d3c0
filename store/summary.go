package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// SummaryDue is when a summary is due.
type SummaryDue struct {
	Property   int32  // number; 0: of the whole fleet
	PropertyID string // "" of the whole fleet
	Kind       string // monthly | weekly
	DueAt      time.Time
}

// EnsureSummaries makes the rows of properties that have none, and of the fleet.
// first says when a property's first summary is due; "" asks for the fleet's.
func (s *Store) EnsureSummaries(ctx context.Context, first func(property string) time.Time) error {
	rows, err := s.evaluation.Query(ctx, `SELECT p.property_id, p.name FROM property p
		WHERE NOT EXISTS (SELECT FROM summary_due d WHERE d.property_id = p.property_id AND d.kind = 'monthly')
		UNION ALL SELECT 0, '' WHERE NOT EXISTS (SELECT FROM summary_due WHERE property_id = 0)`)
	if err != nil {
		return fmt.Errorf("look for properties without summaries: %w", err)
	}
	var num int32
	var name string
	var q pgx.Batch
	if _, err := pgx.ForEachRow(rows, []any{&num, &name}, func() error {
		kind := "monthly"
		if num == 0 {
			kind = "weekly"
		}
		q.Queue(`INSERT INTO summary_due (property_id, kind, due_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING`, num, kind, first(name))
		return nil
	}); err != nil {
		return fmt.Errorf("look for properties without summaries: %w", err)
	}
	if q.Len() == 0 {
		return nil
	}
	return withTx(ctx, s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error { return tx.SendBatch(ctx, &q).Close() })
}

// summariesAtOnce bounds a transaction.
const summariesAtOnce = 200

// TakeSummaries hands the summaries due at now to f, within the transaction that
// moves them to when f says that the next are due. It returns how many there were.
func (s *Store) TakeSummaries(ctx context.Context, now time.Time, f func(pgx.Tx, []SummaryDue) ([]SummaryDue, error)) (n int, err error) {
	err = withTx(ctx, s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `SELECT d.property_id, coalesce(p.name, ''), d.kind, d.due_at FROM summary_due d LEFT JOIN property p USING (property_id)
			WHERE d.due_at <= $1 ORDER BY d.due_at LIMIT $2 FOR UPDATE OF d SKIP LOCKED`, now, summariesAtOnce)
		if err != nil {
			return err
		}
		due, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (d SummaryDue, err error) {
			err = r.Scan(&d.Property, &d.PropertyID, &d.Kind, &d.DueAt)
			return d, err
		})
		if err != nil || len(due) == 0 {
			return err
		}
		next, err := f(tx, due)
		if err != nil {
			return err
		}
		var q pgx.Batch
		for _, d := range next {
			q.Queue(`UPDATE summary_due SET due_at = $3 WHERE property_id = $1 AND kind = $2`, d.Property, d.Kind, d.DueAt)
		}
		n = len(due)
		return tx.SendBatch(ctx, &q).Close()
	})
	if err != nil {
		return 0, fmt.Errorf("take summaries that are due: %w", err)
	}
	return n, nil
}

// WeekLoad is what a week asked of people.
type WeekLoad struct {
	Alarms, CallOuts, Properties int
	Worst                        []struct {
		Property string
		Alarms   int
	}
	Quarantine int // records that nobody has dealt with, whenever they came
	Dead       int // deliveries given up in the week
}

// WeekLoad sums up the alarms that people heard of in [from, to).
func (s *Store) WeekLoad(ctx context.Context, from, to time.Time) (w WeekLoad, err error) {
	wrap := func(err error) (WeekLoad, error) { return WeekLoad{}, fmt.Errorf("sum up the week: %w", err) }
	err = s.evaluation.QueryRow(ctx, `SELECT count(*), count(DISTINCT (property_id, call_out)), count(DISTINCT property_id),
			(SELECT count(*) FROM quarantine WHERE closed_at IS NULL), (SELECT count(*) FROM delivery WHERE state = 'dead' AND done_at >= $1 AND done_at < $2)
		FROM alarm WHERE known_at >= $1 AND known_at < $2 AND suppressed_by IS NULL AND withdrawn_at IS NULL`, from, to).
		Scan(&w.Alarms, &w.CallOuts, &w.Properties, &w.Quarantine, &w.Dead)
	if err != nil {
		return wrap(err)
	}
	rows, err := s.evaluation.Query(ctx, `SELECT p.name, count(*) FROM alarm a JOIN property p USING (property_id)
		WHERE a.known_at >= $1 AND a.known_at < $2 AND a.suppressed_by IS NULL AND a.withdrawn_at IS NULL
		GROUP BY p.name ORDER BY count(*) DESC, p.name LIMIT 10`, from, to)
	if err != nil {
		return wrap(err)
	}
	var x struct {
		Property string
		Alarms   int
	}
	if _, err := pgx.ForEachRow(rows, []any{&x.Property, &x.Alarms}, func() error { w.Worst = append(w.Worst, x); return nil }); err != nil {
		return wrap(err)
	}
	return w, nil
}

// Managers are the managers of the whole fleet who are not disabled.
func (s *Store) Managers(ctx context.Context) ([]Person, error) {
	rows, err := s.evaluation.Query(ctx, `SELECT person_id, name, email, phone, role, language, units FROM person
		WHERE disabled_at IS NULL AND role = 'manager' AND all_properties ORDER BY person_id`)
	if err != nil {
		return nil, fmt.Errorf("list managers: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (p Person, err error) {
		err = r.Scan(&p.ID, &p.Name, &p.Email, &p.Phone, &p.Role, &p.Language, &p.Units)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("list managers: %w", err)
	}
	return out, nil
}
