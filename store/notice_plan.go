package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// Addressee is somebody who may be told of a property.
type Addressee struct {
	Person
	Everything bool
	Nums       []int32 // else these properties, by number
}

// Concerns says whether the person has to do with a property.
func (a *Addressee) Concerns(num int32) bool {
	return a.Everything || slices.Contains(a.Nums, num)
}

// Addressees are the people who have to do with any of the properties: owners,
// technicians and managers who are not disabled.
func (s *Store) Addressees(ctx context.Context, tx pgx.Tx, nums []int32) ([]Addressee, error) {
	rows, err := tx.Query(ctx, `SELECT p.person_id, p.name, p.email, p.phone, p.role, p.language, p.units, p.all_properties,
			coalesce((SELECT array_agg(pp.property_id) FROM person_property pp WHERE pp.person_id = p.person_id AND pp.property_id = ANY($1)), '{}')
		FROM person p WHERE p.disabled_at IS NULL AND p.role IN ('owner', 'technician', 'manager')
			AND (p.all_properties OR EXISTS (SELECT FROM person_property pp WHERE pp.person_id = p.person_id AND pp.property_id = ANY($1)))
		ORDER BY p.person_id`, nums)
	if err != nil {
		return nil, fmt.Errorf("look for the people to tell: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (a Addressee, err error) {
		err = r.Scan(&a.ID, &a.Name, &a.Email, &a.Phone, &a.Role, &a.Language, &a.Units, &a.Everything, &a.Nums)
		return a, err
	})
	if err != nil {
		return nil, fmt.Errorf("look for the people to tell: %w", err)
	}
	return out, nil
}

// CallOutKey names a call-out of a property.
type CallOutKey struct {
	Property int32
	CallOut  string
}

// ToldBefore is one delivery about a call-out, as far as it matters for the next.
type ToldBefore struct {
	Delivery  int64
	Round     int16
	Purpose   Purpose
	Level     int16
	Step      int16
	Channel   Channel
	Recipient string
	Person    int32
	Audience  string
	State     NoticeState
}

// CallOutStanding is how a call-out stands and who was told of it.
type CallOutStanding struct {
	Open, Over, Withdrawn int // alarms
	Highest               alerting.Priority
	Told                  []ToldBefore
}

// Standing loads the call-outs as they are in tx.
func (s *Store) Standing(ctx context.Context, tx pgx.Tx, keys []CallOutKey) (map[CallOutKey]*CallOutStanding, error) {
	out := make(map[CallOutKey]*CallOutStanding, len(keys))
	nums, names := make([]int32, len(keys)), make([]string, len(keys))
	for i, k := range keys {
		nums[i], names[i] = k.Property, k.CallOut
		out[k] = &CallOutStanding{}
	}
	var k CallOutKey
	var open, over, withdrawn int
	var highest int16
	rows, err := tx.Query(ctx, `SELECT a.property_id, a.call_out, count(*) FILTER (WHERE a.cleared_at IS NULL AND a.withdrawn_at IS NULL),
			count(*) FILTER (WHERE a.cleared_at IS NOT NULL AND a.withdrawn_at IS NULL), count(*) FILTER (WHERE a.withdrawn_at IS NOT NULL),
			coalesce(max(a.priority) FILTER (WHERE a.cleared_at IS NULL AND a.withdrawn_at IS NULL), 0)
		FROM alarm a JOIN unnest($1::int4[], $2::text[]) AS k(property_id, call_out) USING (property_id, call_out)
		WHERE a.suppressed_by IS NULL GROUP BY 1, 2`, nums, names)
	if err != nil {
		return nil, fmt.Errorf("how call-outs stand: %w", err)
	}
	if _, err := pgx.ForEachRow(rows, []any{&k.Property, &k.CallOut, &open, &over, &withdrawn, &highest}, func() error {
		c := out[k]
		c.Open, c.Over, c.Withdrawn, c.Highest = open, over, withdrawn, alerting.Priority(highest)
		return nil
	}); err != nil {
		return nil, fmt.Errorf("how call-outs stand: %w", err)
	}
	return out, s.loadTold(ctx, tx, nums, names, out)
}

func (s *Store) loadTold(ctx context.Context, tx pgx.Tx, nums []int32, names []string, into map[CallOutKey]*CallOutStanding) error {
	rows, err := tx.Query(ctx, `SELECT d.property_id, d.subject, d.delivery_id, d.round, d.purpose, d.level, d.step, d.channel, d.recipient,
			coalesce(d.person_id, 0), d.audience, d.state
		FROM delivery d JOIN unnest($1::int4[], $2::text[]) AS k(property_id, subject) USING (property_id, subject)
		ORDER BY d.delivery_id`, nums, names)
	if err != nil {
		return fmt.Errorf("who was told: %w", err)
	}
	var k CallOutKey
	var t ToldBefore
	if _, err := pgx.ForEachRow(rows, []any{&k.Property, &k.CallOut, &t.Delivery, &t.Round, &t.Purpose, &t.Level, &t.Step, &t.Channel, &t.Recipient,
		&t.Person, &t.Audience, &t.State}, func() error {
		into[k].Told = append(into[k].Told, t)
		return nil
	}); err != nil {
		return fmt.Errorf("who was told: %w", err)
	}
	return nil
}

// Held is a condition at a point that is shelved or out of service.
type Held struct {
	Property  int32
	Condition site.Condition
	Point     string
}

// HeldAt lists what is held back at these properties at the time now.
func (s *Store) HeldAt(ctx context.Context, tx pgx.Tx, nums []int32, now time.Time) (map[Held]bool, error) {
	rows, err := tx.Query(ctx, `SELECT property_id, condition, point FROM alarm_hold
		WHERE property_id = ANY($1) AND (until IS NULL OR until > $2)`, nums, now)
	if err != nil {
		return nil, fmt.Errorf("what is held back: %w", err)
	}
	out := map[Held]bool{}
	var h Held
	if _, err := pgx.ForEachRow(rows, []any{&h.Property, &h.Condition, &h.Point}, func() error {
		out[h] = true
		return nil
	}); err != nil {
		return nil, fmt.Errorf("what is held back: %w", err)
	}
	return out, nil
}

// Untold are alarms that hold, that nobody has acknowledged, and of which
// nobody has been told because they were shelved: their shelving has run out
// since.
func (s *Store) Untold(ctx context.Context, tx pgx.Tx, now time.Time) ([]AlarmChange, error) {
	rows, err := tx.Query(ctx, `SELECT `+alarmColumns+alarmFrom+`
		WHERE h.kind = 'shelved' AND h.until <= $1 AND h.until > $1 - interval '2 days' AND a.changed_at <= h.until
			AND a.cleared_at IS NULL AND a.withdrawn_at IS NULL AND a.acknowledged_at IS NULL AND a.suppressed_by IS NULL AND a.call_out <> ''
			AND NOT EXISTS (SELECT FROM delivery d WHERE d.property_id = a.property_id AND d.subject = a.call_out AND d.level >= a.priority)
		ORDER BY a.property_id, a.alarm_no LIMIT 500`, now)
	if err != nil {
		return nil, fmt.Errorf("look for alarms whose shelving has run out: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (AlarmChange, error) {
		a, _, err := scanAlarm(r)
		return AlarmChange{ID: a.ID, Change: alerting.Change{Kind: alerting.Raised, Known: now, Alarm: a.Alarm}}, err
	})
	if err != nil {
		return nil, fmt.Errorf("look for alarms whose shelving has run out: %w", err)
	}
	return out, nil
}

// InTx runs f in a transaction of the evaluation's pool, for planning deliveries
// outside of an evaluation.
func (s *Store) InTx(ctx context.Context, f func(tx pgx.Tx) error) error {
	return retrying(ctx, func() error { return withTx(ctx, s.evaluation, pgx.TxOptions{}, f) })
}
