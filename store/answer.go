package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Answer is somebody's answer to an alarm.
type Answer struct {
	Scope Scope // what they may see; an alarm beyond it does not exist
	Alarm string
	By    string // who, as the journal will show it
	Why   string
	Now   time.Time
}

// Acknowledge notes that somebody has seen the alarm. Doing it again changes
// nothing and is no error; the first acknowledgement stands.
func (s *Store) Acknowledge(ctx context.Context, a Answer) error {
	return s.answer(ctx, a, "acknowledged", func(tx pgx.Tx, t target) (bool, error) {
		if t.withdrawn || t.suppressed {
			return false, conflict("nobody was told of it")
		}
		tag, err := tx.Exec(ctx, `UPDATE alarm SET acknowledged_at = $3, acknowledged_by = $4, changed_at = $3
			WHERE property_id = $1 AND alarm_no = $2 AND acknowledged_at IS NULL`, t.num, t.no, a.Now, cutText(a.By, 200))
		return tag.RowsAffected() > 0, err
	})
}

// longestShelving bounds how long an alarm can be put aside: what needs
// longer is out of service, which somebody must return (common practice after
// ISA-18.2, which asks for a time limit without naming one).
const longestShelving = 30 * 24 * time.Hour

// Shelve silences the alarm's condition at its point until a time; it comes
// back by itself.
func (s *Store) Shelve(ctx context.Context, a Answer, until time.Time) error {
	if !until.After(a.Now) || until.Sub(a.Now) > longestShelving {
		return invalid("shelve %s until %s: want a time within the next %d days", a.Alarm, until.Format(time.RFC3339), int(longestShelving.Hours()/24))
	}
	if a.Why == "" {
		return invalid("shelve %s without a reason", a.Alarm)
	}
	return s.answer(ctx, a, "shelved", func(tx pgx.Tx, t target) (bool, error) {
		return true, hold(ctx, tx, a, t, "shelved", until)
	})
}

// Unshelve ends a shelving early.
func (s *Store) Unshelve(ctx context.Context, a Answer) error {
	return s.answer(ctx, a, "unshelved", func(tx pgx.Tx, t target) (bool, error) {
		return release(ctx, tx, t, "shelved")
	})
}

// TakeOutOfService silences the condition at the point until somebody returns
// it, for example while equipment is away for repair.
func (s *Store) TakeOutOfService(ctx context.Context, a Answer) error {
	if a.Why == "" {
		return invalid("take %s out of service without a reason", a.Alarm)
	}
	return s.answer(ctx, a, "out-of-service", func(tx pgx.Tx, t target) (bool, error) {
		return true, hold(ctx, tx, a, t, "out-of-service", time.Time{})
	})
}

// ReturnToService ends TakeOutOfService.
func (s *Store) ReturnToService(ctx context.Context, a Answer) error {
	return s.answer(ctx, a, "returned-to-service", func(tx pgx.Tx, t target) (bool, error) {
		return release(ctx, tx, t, "out-of-service")
	})
}

// target is the alarm that an answer is about.
type target struct {
	num, no               int32
	condition, point      string
	suppressed, withdrawn bool
}

// answer applies f to the locked alarm and writes the journal when f changed
// something, in one transaction.
func (s *Store) answer(ctx context.Context, a Answer, kind string, f func(pgx.Tx, target) (changed bool, err error)) error {
	property, no, ok := ParseAlarmID(a.Alarm)
	if !ok || !a.Scope.Sees(property) {
		return notFound("alarm %s", a.Alarm)
	}
	if a.By == "" {
		return invalid("answer to %s by nobody", a.Alarm)
	}
	err := retrying(ctx, func() error {
		return withTx(ctx, s.api, pgx.TxOptions{}, func(tx pgx.Tx) error {
			t := target{no: no}
			err := tx.QueryRow(ctx, `SELECT a.property_id, a.condition, a.point, a.suppressed_by IS NOT NULL, a.withdrawn_at IS NOT NULL
				FROM alarm a JOIN property p USING (property_id) WHERE p.name = $1 AND a.alarm_no = $2 FOR UPDATE OF a`,
				property, no).Scan(&t.num, &t.condition, &t.point, &t.suppressed, &t.withdrawn)
			if isNoRows(err) {
				return ErrNotFound
			}
			if err != nil {
				return err
			}
			changed, err := f(tx, t)
			if err != nil || !changed {
				return err
			}
			stands, _, err := scanAlarm(tx.QueryRow(ctx, `SELECT `+alarmColumns+alarmFrom+`WHERE a.property_id = $2 AND a.alarm_no = $3`, a.Now, t.num, no))
			if err != nil {
				return err
			}
			_, err = tx.Exec(ctx, journalSQL, journalEntry{t.num, no, a.Now, kind, a.By, a.Why, stands}.args()...)
			return err
		})
	})
	if err != nil {
		return fmt.Errorf("alarm %s to be %s: %w", a.Alarm, kind, err)
	}
	return nil
}

func hold(ctx context.Context, tx pgx.Tx, a Answer, t target, kind string, until time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO alarm_hold (property_id, condition, point, kind, until, reason, held_by, held_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (property_id, condition, point) DO UPDATE SET kind = excluded.kind, until = excluded.until,
			reason = excluded.reason, held_by = excluded.held_by, held_at = excluded.held_at, visit_no = NULL`,
		t.num, t.condition, t.point, kind, nullInstant(until), cutText(a.Why, 1000), cutText(a.By, 200), a.Now)
	return err
}

func release(ctx context.Context, tx pgx.Tx, t target, kind string) (bool, error) {
	tag, err := tx.Exec(ctx, `DELETE FROM alarm_hold WHERE property_id = $1 AND condition = $2 AND point = $3 AND kind = $4`,
		t.num, t.condition, t.point, kind)
	return tag.RowsAffected() > 0, err
}
