package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
	"underkeep/store/visit"
)

// hold puts what a visit brings about out of service. An alarm that stands
// already is not the visit's doing and stays as it is.
func (t *visitTx) hold(ctx context.Context, reg *Registry, ds []visit.Disturbance, until time.Time) error {
	if len(ds) == 0 {
		return nil
	}
	conditions, points, err := t.disturbedAt(reg, ds)
	if err != nil {
		return err
	}
	reason := fmt.Sprintf("visit %s", t.visit.ID)
	for _, d := range ds {
		reason += ", " + string(d)
	}
	tag, err := t.Exec(ctx, `INSERT INTO alarm_hold (property_id, condition, point, kind, until, reason, held_by, held_at, visit_no)
		SELECT $1, u.c, u.p, 'out-of-service', $4, $5, $6, $7, $8 FROM unnest($2::text[], $3::text[]) u(c, p)
		WHERE NOT EXISTS (SELECT FROM alarm a WHERE a.property_id = $1 AND a.condition = u.c AND a.point = u.p
			AND a.cleared_at IS NULL AND a.withdrawn_at IS NULL)
		ON CONFLICT (property_id, condition, point) DO UPDATE SET kind = excluded.kind, until = excluded.until, reason = excluded.reason,
			held_by = excluded.held_by, held_at = excluded.held_at, visit_no = excluded.visit_no WHERE alarm_hold.until <= excluded.held_at`,
		t.num, conditions, points, until, reason, cutText(t.w.By, 200), t.w.Now, t.visit.No)
	if err != nil {
		return fmt.Errorf("put alarms out of service: %w", err)
	}
	_, err = t.Exec(ctx, `INSERT INTO visit_hold (property_id, visit_no, condition, point, from_at, until_at, held_by, reason)
		SELECT property_id, visit_no, condition, point, held_at, until, held_by, reason FROM alarm_hold
		WHERE property_id = $1 AND visit_no = $2 ON CONFLICT DO NOTHING`, t.num, t.visit.No)
	if err != nil {
		return fmt.Errorf("put alarms out of service: %w", err)
	}
	t.note("out-of-service", reason, 0, struct {
		Disturbs []visit.Disturbance `json:"disturbs"`
		Until    time.Time           `json:"until"`
		Held     int64               `json:"held"`
	}{ds, until, tag.RowsAffected()})
	return nil
}

// disturbedAt lists conditions with their points.
func (t *visitTx) disturbedAt(reg *Registry, ds []visit.Disturbance) (conditions, points []string, err error) {
	p, ok := reg.Property(t.property)
	if !ok {
		return nil, nil, notFound("property %s", t.property)
	}
	desc, err := p.Current()
	if err != nil {
		return nil, nil, err
	}
	seen := map[site.Condition]bool{}
	for _, d := range ds {
		if visit.Disturbed(d) == nil {
			return nil, nil, invalid("disturbance %.40q", d)
		}
		for _, c := range visit.Disturbed(d) {
			if seen[c] {
				continue
			}
			seen[c] = true
			if !visit.AtPoints(c) {
				conditions, points = append(conditions, string(c)), append(points, "")
				continue
			}
			for _, pt := range desc.Points {
				conditions, points = append(conditions, string(c)), append(points, pt.ID)
			}
		}
	}
	return conditions, points, nil
}

// returnHolds returns to service what the visit held, and answers the alarms
// of that time: they were the visit's.
func (t *visitTx) returnHolds(ctx context.Context) error {
	tag, err := t.Exec(ctx, `UPDATE visit_hold SET until_at = least(until_at, greatest($3, from_at)) WHERE property_id = $1 AND visit_no = $2`,
		t.num, t.visit.No, t.w.Now)
	if err != nil {
		return fmt.Errorf("return alarms to service: %w", err)
	}
	if tag.RowsAffected() == 0 {
		return nil
	}
	if _, err := t.Exec(ctx, `DELETE FROM alarm_hold WHERE property_id = $1 AND visit_no = $2 AND kind = 'out-of-service' AND until IS NOT NULL`, t.num, t.visit.No); err != nil {
		return fmt.Errorf("return alarms to service: %w", err)
	}
	t.note("returned-to-service", "visit "+t.visit.ID+" ended", 0, nil)
	return settleHeld(ctx, t, []int32{t.num}, t.w.Now)
}

// settleHeld answers alarms that were raised while a visit held them. Under a
// visit that goes on, their journal says that they are out of service; after
// it, they are acknowledged by whoever made the visit.
func settleHeld(ctx context.Context, tx pgx.Tx, nums []int32, now time.Time) error {
	rows, err := tx.Query(ctx, `SELECT a.property_id, a.alarm_no, h.held_by, h.reason, v.state IN ('done', 'cancelled'),
			EXISTS (SELECT FROM alarm_journal j WHERE j.property_id = a.property_id AND j.alarm_no = a.alarm_no AND j.kind = 'out-of-service')
		FROM visit_hold h JOIN visit v USING (property_id, visit_no)
		JOIN alarm a ON a.property_id = h.property_id AND a.condition = h.condition AND a.point = h.point
			AND a.raised_at >= h.from_at AND a.raised_at < h.until_at
		WHERE h.property_id = ANY($1) AND a.acknowledged_at IS NULL AND a.withdrawn_at IS NULL AND a.suppressed_by IS NULL
		ORDER BY 1, 2`, nums)
	if err != nil {
		return fmt.Errorf("alarms of a visit: %w", err)
	}
	type held struct {
		num, no     int32
		by, reason  string
		over, noted bool
	}
	found, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (h held, err error) {
		return h, r.Scan(&h.num, &h.no, &h.by, &h.reason, &h.over, &h.noted)
	})
	if err != nil {
		return fmt.Errorf("alarms of a visit: %w", err)
	}
	for _, h := range found {
		t := &visitTx{Tx: tx, w: VisitWrite{By: h.by, Now: now}, num: h.num}
		if !h.noted {
			if err := t.alarmEntry(ctx, h.no, "out-of-service", h.reason); err != nil {
				return err
			}
		}
		if !h.over {
			continue
		}
		if _, err := tx.Exec(ctx, `UPDATE alarm SET acknowledged_at = $3, acknowledged_by = $4, changed_at = $3
			WHERE property_id = $1 AND alarm_no = $2`, h.num, h.no, now, h.by); err != nil {
			return err
		}
		if err := t.alarmEntry(ctx, h.no, "acknowledged", "brought about by "+h.reason); err != nil {
			return err
		}
	}
	return nil
}
