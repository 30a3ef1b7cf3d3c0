package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
	"underkeep/store/visit"
)

// ServiceQuery selects whose service plan is asked for.
type ServiceQuery struct {
	Scope    Scope
	Property string // "" any
	Area     string // "" any
	Now      time.Time
}

// ServiceHistories are what the service plan of each property rests on, by its
// id. It takes six queries, whatever the size of the fleet.
func (s *Store) ServiceHistories(ctx context.Context, q ServiceQuery) ([]visit.History, error) {
	byNum := map[int32]*visit.History{}
	var out []*visit.History
	var failed error
	s.EachRegistered(ctx, func(p *Registered) bool {
		if !q.Scope.Sees(p.ID) || q.Property != "" && q.Property != p.ID {
			return true
		}
		h, area, err := describedHistory(p)
		if err != nil {
			failed = err
			return false
		}
		if q.Area == "" || q.Area == area {
			byNum[p.Num] = h
			out = append(out, h)
		}
		return true
	})
	if failed != nil || len(out) == 0 {
		return nil, failed
	}
	if err := s.fillHistories(ctx, byNum, q.Now); err != nil {
		return nil, fmt.Errorf("service plan: %w", err)
	}
	slices.SortFunc(out, func(a, b *visit.History) int { return strings.Compare(a.Property, b.Property) })
	list := make([]visit.History, len(out))
	for i := range out {
		list[i] = *out[i]
	}
	return list, nil
}

// describedHistory is what the description says of a property that was never
// visited.
func describedHistory(p *Registered) (*visit.History, string, error) {
	desc, err := p.Current()
	if err != nil {
		return nil, "", err
	}
	h := &visit.History{Property: p.ID, Zone: desc.Zone(), Installed: desc.Installed,
		Dehumidifier: desc.Dehumidifier != nil, Pump: desc.Sump != nil, Terms: desc.WarrantyTerms}
	for _, pt := range desc.Points {
		for _, m := range pt.Measures {
			switch {
			case m == site.RH:
				h.Sensors = append(h.Sensors, visit.SensorHistory{Point: pt.ID})
			case (m == site.PumpRun || m == site.PumpOn) && pt.Pump == "":
				h.Pump, h.Reports = true, true
			}
		}
	}
	return h, desc.Area, nil
}

func (s *Store) fillHistories(ctx context.Context, byNum map[int32]*visit.History, now time.Time) error {
	nums := make([]int32, 0, len(byNum))
	for n := range byNum {
		nums = append(nums, n)
	}
	return withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly, IsoLevel: pgx.RepeatableRead}, func(tx pgx.Tx) error {
		var num int32
		var a, b, c *time.Time
		err := eachRow(ctx, tx, []any{&num, &a, &b, &c}, func() {
			h := byNum[num]
			h.Cycle, h.HandedOver, h.Filter = instant(a), instant(b), instant(c)
		}, `SELECT e.property_id, e.pump_cycle_at, min(v.ended_at) FILTER (WHERE v.kind = 'hand-over'), max(v.ended_at) FILTER (WHERE 'filter' = ANY(v.work))
			FROM evaluation e LEFT JOIN visit v ON v.property_id = e.property_id AND v.state = 'done'
			WHERE e.property_id = ANY($1) GROUP BY e.property_id, e.pump_cycle_at`, nums)
		if err != nil {
			return err
		}
		err = eachRow(ctx, tx, []any{&num, &a}, func() { byNum[num].PumpTest = instant(a) },
			`SELECT property_id, max(at) FROM pump_test WHERE property_id = ANY($1) AND withdrawn_at IS NULL AND ran AND pump = 'primary' GROUP BY property_id`, nums)
		if err != nil {
			return err
		}
		var point string
		err = eachRow(ctx, tx, []any{&num, &point, &a}, func() {
			for i, sensor := range byNum[num].Sensors {
				if sensor.Point == point {
					byNum[num].Sensors[i].Check = instant(a)
				}
			}
		}, `SELECT property_id, point, max(at) FROM sensor_check WHERE property_id = ANY($1) AND withdrawn_at IS NULL GROUP BY property_id, point`, nums)
		if err != nil {
			return err
		}
		var kind visit.Kind
		err = eachRow(ctx, tx, []any{&num, &kind, &a}, func() {
			if h := byNum[num]; h.Visited == nil {
				h.Visited = map[visit.Kind]time.Time{kind: instant(a)}
			} else {
				h.Visited[kind] = instant(a)
			}
		}, `SELECT property_id, kind, max(ended_at) FROM visit WHERE property_id = ANY($1) AND state = 'done' GROUP BY property_id, kind`, nums)
		if err != nil {
			return err
		}
		if err := termsToday(ctx, tx, byNum, nums, now); err != nil {
			return err
		}
		return openVisits(ctx, tx, byNum, nums)
	})
}

// termsToday puts the set of terms in force where one has been assigned; else
// what the property file names stands.
func termsToday(ctx context.Context, tx pgx.Tx, byNum map[int32]*visit.History, nums []int32, now time.Time) error {
	var num int32
	var from time.Time
	var terms string
	var seen int32
	return eachRow(ctx, tx, []any{&num, &from, &terms}, func() {
		h := byNum[num]
		if num != seen {
			seen, h.Terms = num, ""
		}
		if !site.DateOf(now.In(h.Zone)).Before(site.DateOf(from)) {
			h.Terms = terms
		}
	}, `SELECT property_id, from_day, terms FROM terms_assignment WHERE property_id = ANY($1) ORDER BY property_id, from_day, assignment_no`, nums)
}

func openVisits(ctx context.Context, tx pgx.Tx, byNum map[int32]*visit.History, nums []int32) error {
	rows, err := tx.Query(ctx, `SELECT `+visitColumns+`, v.property_id`+visitFrom+`
		WHERE v.property_id = ANY($1) AND v.state IN ('planned', 'under-way') ORDER BY v.property_id, v.due_on NULLS LAST, v.visit_no`, nums)
	if err != nil {
		return err
	}
	_, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (struct{}, error) {
		var num int32
		v, err := scanVisit(r, &num)
		if err == nil {
			byNum[num].Open = append(byNum[num].Open, v)
		}
		return struct{}{}, err
	})
	return err
}

func eachRow(ctx context.Context, tx pgx.Tx, into []any, f func(), sql string, args ...any) error {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	_, err = pgx.ForEachRow(rows, into, func() error { f(); return nil })
	return err
}

// Assignable are the people who may be sent to a property, by name.
func (s *Store) Assignable(ctx context.Context, scope Scope, property string) ([]Assignee, error) {
	if !scope.Sees(property) {
		return nil, notFound("property %s", property)
	}
	return collect(ctx, s.api, "people for "+property, func(r pgx.CollectableRow) (a Assignee, err error) {
		return a, r.Scan(&a.Person, &a.Name)
	}, `SELECT w.person_id, w.name FROM person w WHERE w.disabled_at IS NULL AND w.role IN ('technician', 'manager')
		AND (w.all_properties OR EXISTS (SELECT FROM person_property pp JOIN property p USING (property_id) WHERE pp.person_id = w.person_id AND p.name = $1))
		ORDER BY w.role <> 'technician', w.name, w.person_id`, property)
}

// Assignee is somebody who may be sent to a property.
type Assignee struct {
	Person int32
	Name   string
}
