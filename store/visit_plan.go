package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"underkeep/store/site"
	"underkeep/store/visit"
)

// PlanVisit adds a planned visit. The journal of its alarm says so.
func (s *Store) PlanVisit(ctx context.Context, w VisitWrite, p visit.Plan) (Written, error) {
	if err := p.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	alarmNo := int32(0)
	if p.Alarm != "" {
		of, no, ok := ParseAlarmID(p.Alarm)
		if !ok || of != p.Property {
			return Written{}, notFound("alarm %.60q", p.Alarm)
		}
		alarmNo = no
	}
	out, err := s.writeVisit(ctx, w, p.Property, 0, p, func(ctx context.Context, t *visitTx) error {
		return t.plan(ctx, p, alarmNo)
	})
	if err != nil {
		return Written{}, fmt.Errorf("plan a visit to %s: %w", p.Property, err)
	}
	return out, nil
}

func (t *visitTx) plan(ctx context.Context, p visit.Plan, alarmNo int32) error {
	name, err := t.assignable(ctx, p.AssignedTo)
	if err != nil {
		return err
	}
	if alarmNo != 0 {
		var found bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM alarm WHERE property_id = $1 AND alarm_no = $2)`, t.num, alarmNo).Scan(&found); err != nil {
			return err
		}
		if !found {
			return notFound("alarm %s", p.Alarm)
		}
	}
	no, err := t.next(ctx, "visit", "visit_no")
	if err != nil {
		return err
	}
	_, err = t.Exec(ctx, `INSERT INTO visit (property_id, visit_no, kind, state, origin, reason, due_on, crew, assigned_to, alarm_no, planned_at, planned_by, revision, changed_at)
		VALUES ($1, $2, $3, 'planned', $4, $5, $6, $7, $8, $9, $10, $11, 0, $10)`,
		t.num, no, p.Kind, p.Origin, p.Reason, dateArg(p.DueOn), p.Crew, zeroNull(p.AssignedTo), zeroNull(alarmNo), t.w.Now, cutText(t.w.By, 200))
	if err != nil {
		return err
	}
	t.visit.No = no
	t.note("planned", p.Reason, 0, struct {
		Kind     visit.Kind   `json:"kind"`
		Origin   visit.Origin `json:"origin"`
		Due      string       `json:"due,omitempty"`
		Crew     string       `json:"crew,omitempty"`
		Assigned string       `json:"assigned,omitempty"`
		Alarm    string       `json:"alarm,omitempty"`
	}{p.Kind, p.Origin, dateText(p.DueOn), p.Crew, name, p.Alarm})
	if alarmNo == 0 {
		return nil
	}
	return t.alarmEntry(ctx, alarmNo, "visit-planned", strings.TrimSpace("visit "+visit.ID(t.property, no)+" "+p.Reason))
}

func dateText(d *site.Date) string {
	if d == nil {
		return ""
	}
	return d.String()
}

// alarmEntry adds a line to an alarm's journal.
func (t *visitTx) alarmEntry(ctx context.Context, no int32, kind, why string) error {
	stands, _, err := scanAlarm(t.QueryRow(ctx, `SELECT `+alarmColumns+alarmFrom+`WHERE a.property_id = $2 AND a.alarm_no = $3`, t.w.Now, t.num, no))
	if err != nil {
		return err
	}
	_, err = t.Exec(ctx, journalSQL, journalEntry{t.num, no, t.w.Now, kind, t.w.By, why, stands}.args()...)
	return err
}

// assignable is the name of somebody who may be sent to the property: a
// technician or manager who sees it.
func (t *visitTx) assignable(ctx context.Context, person int32) (name string, err error) {
	if person == 0 {
		return "", nil
	}
	err = t.QueryRow(ctx, `SELECT name FROM person p WHERE person_id = $1 AND disabled_at IS NULL AND role IN ('technician', 'manager')
		AND (all_properties OR EXISTS (SELECT FROM person_property pp WHERE pp.person_id = p.person_id AND pp.property_id = $2))`,
		person, t.num).Scan(&name)
	if isNoRows(err) {
		return "", invalid("person %d: no technician of this property", person)
	}
	return name, err
}

// ChangeVisit changes the plan of a visit that has not ended.
func (s *Store) ChangeVisit(ctx context.Context, w VisitWrite, id string, c visit.Change) (Written, error) {
	return s.onVisit(ctx, w, id, "change", c, func(ctx context.Context, t *visitTx) error {
		if err := t.must("change", visit.Planned, visit.UnderWay); err != nil {
			return err
		}
		v := t.visit
		if err := t.applyChange(ctx, &v, c); err != nil {
			return err
		}
		_, err := t.Exec(ctx, `UPDATE visit SET reason = $3, due_on = $4, crew = $5, assigned_to = $6 WHERE property_id = $1 AND visit_no = $2`,
			t.num, v.No, v.Reason, dateArg(v.DueOn), v.Crew, zeroNull(v.AssignedTo))
		t.note("changed", c.Why, 0, struct {
			Reason   string `json:"reason,omitempty"`
			Due      string `json:"due,omitempty"`
			Crew     string `json:"crew,omitempty"`
			Assigned string `json:"assigned,omitempty"`
		}{v.Reason, dateText(v.DueOn), v.Crew, v.AssignedName})
		return err
	})
}

func (t *visitTx) applyChange(ctx context.Context, v *visit.Visit, c visit.Change) (err error) {
	if c.Reason != nil {
		v.Reason = *c.Reason
	}
	if c.DueOn != nil || c.NoDay {
		v.DueOn = c.DueOn
	}
	if c.Crew != nil {
		v.Crew = *c.Crew
	}
	if c.AssignedTo != nil {
		v.AssignedTo = *c.AssignedTo
		if v.AssignedName, err = t.assignable(ctx, v.AssignedTo); err != nil {
			return err
		}
	}
	if err := cmp.Or(visit.CheckText("reason", v.Reason, 1000), visit.CheckText("crew", v.Crew, 100), visit.CheckText("why", c.Why, 1000)); err != nil {
		return fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return nil
}

// onVisit is writeVisit for a visit by its id.
func (s *Store) onVisit(ctx context.Context, w VisitWrite, id, doing string, content any, f func(context.Context, *visitTx) error) (Written, error) {
	property, no, ok := visit.ParsePartID(id, 'v')
	if !ok {
		return Written{}, notFound("visit %.60q", id)
	}
	out, err := s.writeVisit(ctx, w, property, no, content, f)
	if err != nil {
		return Written{}, fmt.Errorf("%s visit %s: %w", doing, id, err)
	}
	return out, nil
}

// CancelVisit ends a visit that will not be made, or not to its end.
func (s *Store) CancelVisit(ctx context.Context, w VisitWrite, id, why string) (Written, error) {
	if strings.TrimSpace(why) == "" {
		return Written{}, invalid("cancel visit %.60q without a reason", id)
	}
	return s.onVisit(ctx, w, id, "cancel", why, func(ctx context.Context, t *visitTx) error {
		if err := t.must("cancel", visit.Planned, visit.UnderWay); err != nil {
			return err
		}
		if err := visit.CheckText("why", why, 1000); err != nil {
			return fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		return t.end(ctx, "cancelled", why)
	})
}

// end writes the end of a visit and returns what it put out of service.
func (t *visitTx) end(ctx context.Context, state, why string) error {
	_, err := t.Exec(ctx, `UPDATE visit SET state = $3, ended_at = greatest($4::timestamptz, started_at), ended_by = $5 WHERE property_id = $1 AND visit_no = $2`,
		t.num, t.visit.No, state, t.w.Now, cutText(t.w.By, 200))
	if err != nil {
		return err
	}
	t.note(state, why, 0, nil)
	return t.returnHolds(ctx)
}

// StartVisit puts a planned visit under way.
func (s *Store) StartVisit(ctx context.Context, w VisitWrite, id string, st visit.Start) (Written, error) {
	if st.For == 0 {
		st.For = visit.DefaultLength
	}
	if err := st.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onVisit(ctx, w, id, "start", st, func(ctx context.Context, t *visitTx) error {
		if err := t.must("start", visit.Planned); err != nil {
			return err
		}
		_, err := t.Exec(ctx, `UPDATE visit SET state = 'under-way', started_at = $3, started_by = $4 WHERE property_id = $1 AND visit_no = $2`,
			t.num, t.visit.No, t.w.Now, cutText(t.w.By, 200))
		if err != nil {
			return err
		}
		t.note("started", "", 0, nil)
		return t.hold(ctx, s.Registry(), st.Disturbs, t.w.Now.Add(st.For))
	})
}

// RecordFindings replaces findings and work of a visit under way; the journal
// keeps what stood before.
func (s *Store) RecordFindings(ctx context.Context, w VisitWrite, id string, f visit.Findings) (Written, error) {
	if err := f.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onVisit(ctx, w, id, "record", f, func(ctx context.Context, t *visitTx) error {
		if err := t.must("record at", visit.UnderWay); err != nil {
			return err
		}
		return t.recordFindings(ctx, f)
	})
}

func (t *visitTx) recordFindings(ctx context.Context, f visit.Findings) error {
	work := append([]visit.Work{}, f.Work...)
	slices.Sort(work)
	work = slices.Compact(work)
	if f.Findings == t.visit.Findings && slices.Equal(work, t.visit.Work) {
		return nil
	}
	_, err := t.Exec(ctx, `UPDATE visit SET findings = $3, work = $4 WHERE property_id = $1 AND visit_no = $2`, t.num, t.visit.No, f.Findings, work)
	t.note("recorded", "", 0, struct {
		Findings string       `json:"findings"`
		Work     []visit.Work `json:"work"`
	}{f.Findings, work})
	return err
}

// SignOff ends a visit that was made: the findings stand, what it put out of
// service returns, and the alarm that asked for it is answered.
func (s *Store) SignOff(ctx context.Context, w VisitWrite, id string, f visit.Findings) (Written, error) {
	if err := f.Check(); err != nil {
		return Written{}, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return s.onVisit(ctx, w, id, "sign off", f, func(ctx context.Context, t *visitTx) error {
		if err := t.must("sign off", visit.UnderWay); err != nil {
			return err
		}
		if strings.TrimSpace(f.Findings) == "" {
			return invalid("say what was found and done")
		}
		if err := t.recordFindings(ctx, f); err != nil {
			return err
		}
		if err := t.end(ctx, "done", ""); err != nil {
			return err
		}
		return t.answerAlarm(ctx, f.Findings)
	})
}

// answerAlarm closes the thread of the alarm that asked for the visit.
func (t *visitTx) answerAlarm(ctx context.Context, findings string) error {
	_, no, ok := ParseAlarmID(t.visit.Alarm)
	if !ok {
		return nil
	}
	_, err := t.Exec(ctx, `UPDATE alarm SET acknowledged_at = $3, acknowledged_by = $4, changed_at = $3
		WHERE property_id = $1 AND alarm_no = $2 AND acknowledged_at IS NULL AND withdrawn_at IS NULL AND suppressed_by IS NULL`,
		t.num, no, t.w.Now, cutText(t.w.By, 200))
	if err != nil {
		return err
	}
	return t.alarmEntry(ctx, no, "visited", "visit "+t.visit.ID+": "+findings)
}
