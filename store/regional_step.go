package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting/region"
	"underkeep/store/site"
)

const (
	regionalEvery = time.Second
	// regionalMargin is how far around a changed call-out others are looked at
	// again: beyond it none can depend on it.
	regionalMargin = region.Reach + time.Hour
	// usualDays is the past that the usual rate is taken from, in spans of
	usualDays = 90
	usualSpan = 10 * time.Minute
)

// JoinRegional looks at the call-outs that began, ended or moved since the last
// time, together with what is near them in time, and writes which regional
// events they make. One instance at a time does it; another one returns at
// once. It says how many call-outs were looked at and what changed.
func (s *Store) JoinRegional(ctx context.Context, now time.Time) (looked int, changes []RegionalChange, err error) {
	s.regional.mu.Lock()
	defer s.regional.mu.Unlock()
	err = retrying(ctx, func() error {
		looked, changes = 0, nil
		return withTx(ctx, s.evaluation, pgx.TxOptions{}, func(tx pgx.Tx) error {
			st := regionalStep{s: s, tx: tx, now: now}
			if taken, err := st.take(ctx); err != nil || !taken {
				return err
			}
			if err := st.run(ctx); err != nil {
				return err
			}
			looked, changes = len(st.callOuts), st.changes
			if len(changes) > 0 && s.opts.InRegion != nil {
				if err := s.opts.InRegion(ctx, tx, changes); err != nil {
					return fmt.Errorf("what follows from %d changes of regional events: %w", len(changes), err)
				}
			}
			return nil
		})
	})
	if err != nil {
		return 0, nil, fmt.Errorf("join call-outs of a region: %w", err)
	}
	return looked, changes, nil
}

// KeepRegional joins until ctx ends; observe, if not nil, is told of changes. A
// step that took long makes the next one wait longer.
func (s *Store) KeepRegional(ctx context.Context, observe func([]RegionalChange)) {
	for {
		began := time.Now()
		_, changes, err := s.JoinRegional(ctx, began)
		if err != nil && ctx.Err() == nil {
			s.log.Warn("regional events", "error", err)
		}
		if len(changes) > 0 && observe != nil {
			observe(changes)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(max(regionalEvery, 10*time.Since(began))):
		}
	}
}

// regionalStep is one look.
type regionalStep struct {
	s        *Store
	tx       pgx.Tx
	now      time.Time
	from, to time.Time // what is looked at, by raised_at

	houses   []*Registered
	index    map[int32]int // house by property number
	fleet    *region.Fleet
	callOuts []region.CallOut
	stored   []RegionalEvent
	memberOf map[memberKey]storedMember
	changes  []RegionalChange
}

type memberKey struct {
	property int32
	callOut  string
}

type storedMember struct {
	event    int64
	joinedAt time.Time
	since    time.Time
	until    time.Time
}

// take claims the step and what is due; false when there is nothing to do, or
// another instance is at it.
func (st *regionalStep) take(ctx context.Context) (bool, error) {
	tag, err := st.tx.Exec(ctx, `UPDATE regional_step SET taken_at = $1 WHERE one IN (SELECT one FROM regional_step
		WHERE EXISTS (SELECT FROM regional_due) FOR UPDATE SKIP LOCKED)`, st.now)
	if err != nil || tag.RowsAffected() == 0 {
		return false, err
	}
	var from, to *time.Time
	err = st.tx.QueryRow(ctx, `WITH taken AS (DELETE FROM regional_due RETURNING at) SELECT min(at), max(at) FROM taken`).Scan(&from, &to)
	if err != nil || from == nil {
		return false, err
	}
	st.from, st.to = from.UTC().Add(-regionalMargin), to.UTC().Add(regionalMargin)
	return true, nil
}

func (st *regionalStep) run(ctx context.Context) error {
	if err := st.findHouses(); err != nil {
		return err
	}
	if err := st.widen(ctx); err != nil {
		return err
	}
	usual, err := st.usual(ctx)
	if err != nil {
		return err
	}
	for _, load := range []func(context.Context) error{st.loadStored, st.loadCallOuts} {
		if err := load(ctx); err != nil {
			return err
		}
	}
	return st.write(ctx, region.Join(st.fleet, st.callOuts, usual))
}

// findHouses takes the fleet from the registry. It is made anew only when that
// has changed.
func (st *regionalStep) findHouses() error {
	reg := st.s.Registry()
	k := &st.s.regional
	if k.registry != reg {
		houses := make([]*Registered, 0, reg.Len())
		reg.Each(func(p *Registered) bool { houses = append(houses, p); return true })
		slices.SortFunc(houses, func(a, b *Registered) int { return cmp.Compare(a.ID, b.ID) })
		places := make([]region.Place, len(houses))
		index := make(map[int32]int, len(houses))
		for i, p := range houses {
			places[i], index[p.Num] = placeOf(p), i
		}
		k.registry, k.houses, k.index, k.fleet = reg, houses, index, region.NewFleet(places)
	}
	st.houses, st.index, st.fleet = k.houses, k.index, k.fleet
	return nil
}

// regionalKept is the fleet as the last step of this process knew it.
type regionalKept struct {
	mu       sync.Mutex // for the length of a step
	registry *Registry
	houses   []*Registered
	index    map[int32]int
	fleet    *region.Fleet
}

// placeOf a property; one whose description cannot be read is somewhere.
func placeOf(p *Registered) region.Place {
	out := region.Place{Zone: p.Zone}
	if d, err := p.Current(); err == nil {
		out.Area = d.Area
		if d.Location != nil {
			out.Located, out.Lat, out.Lon = true, d.Location.Lat, d.Location.Lon
		}
	}
	return out
}

// widen takes in whole events: what is near one of its call-outs may depend on
// all of it.
func (st *regionalStep) widen(ctx context.Context) error {
	for {
		var from, to *time.Time
		err := st.tx.QueryRow(ctx, `SELECT min(since), max(last_at) FROM regional_event
			WHERE dissolved_at IS NULL AND since <= $2 AND last_at >= $1`, st.from, st.to).Scan(&from, &to)
		if err != nil {
			return fmt.Errorf("look for events near: %w", err)
		}
		if from == nil {
			return nil
		}
		a, b := from.Add(-regionalMargin), to.Add(regionalMargin)
		if !a.Before(st.from) && !b.After(st.to) {
			return nil
		}
		st.from, st.to = earlier(st.from, a).UTC(), later(st.to, b).UTC()
	}
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// usual is the rate of each family, as it was worked out on the first look of
// the day.
func (st *regionalStep) usual(ctx context.Context) (map[region.Family]float64, error) {
	day := st.now.UTC().Truncate(24 * time.Hour)
	out := map[region.Family]float64{}
	rows, err := st.tx.Query(ctx, `SELECT family, per_hour FROM regional_usual WHERE day = $1`, day)
	if err != nil {
		return nil, fmt.Errorf("usual rates: %w", err)
	}
	known := map[string]float64{}
	var name string
	var rate float64
	if _, err := pgx.ForEachRow(rows, []any{&name, &rate}, func() error { known[name] = rate; return nil }); err != nil {
		return nil, fmt.Errorf("usual rates: %w", err)
	}
	for _, f := range region.Families() {
		if r, ok := known[f.String()]; ok {
			out[f] = r
			continue
		}
		if out[f], err = st.newUsual(ctx, f, day); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (st *regionalStep) newUsual(ctx context.Context, f region.Family, day time.Time) (float64, error) {
	first := day
	for _, h := range st.houses {
		first = earlier(first, h.AcceptsFrom)
	}
	from := later(first, day.AddDate(0, 0, -usualDays))
	spans := max(1, int(day.Sub(from)/usualSpan))
	busy := 0
	err := st.tx.QueryRow(ctx, `SELECT count(DISTINCT floor(extract(epoch FROM raised_at) / $4)) FROM alarm
		WHERE condition = ANY($1) AND raised_at >= $2 AND raised_at < $3 AND call_out <> '' AND suppressed_by IS NULL AND withdrawn_at IS NULL`,
		conditionNames(f), from, day, usualSpan.Seconds()).Scan(&busy)
	if err != nil {
		return 0, fmt.Errorf("usual rate of %s: %w", f, err)
	}
	rate := region.Usual(busy, spans, usualSpan.Hours(), len(st.houses))
	_, err = st.tx.Exec(ctx, `INSERT INTO regional_usual (day, family, busy, spans, houses, per_hour) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT DO NOTHING`, day, f.String(), busy, spans, len(st.houses), rate)
	if err != nil {
		return 0, fmt.Errorf("usual rate of %s: %w", f, err)
	}
	return rate, nil
}

func conditionNames(f region.Family) []string {
	var out []string
	for _, c := range region.Conditions() {
		if f == region.NoFamily || region.FamilyOf(c) == f {
			out = append(out, string(c))
		}
	}
	return out
}

// rainCauses are first causes that the diagnosis gives only when it has rained.
var rainCauses = map[string]bool{"inflow-high": true, "inflow-over-capacity": true, "ground-water": true}

// loadCallOuts reads the alarms in question and makes call-outs of them.
func (st *regionalStep) loadCallOuts(ctx context.Context) error {
	rows, err := st.tx.Query(ctx, `SELECT property_id, call_out, condition, raised_at, cleared_at, coalesce(causes->0->>'cause', '') FROM alarm
		WHERE condition = ANY($1) AND raised_at BETWEEN $2 AND $3 AND call_out <> '' AND suppressed_by IS NULL AND withdrawn_at IS NULL
		ORDER BY property_id, call_out, raised_at, alarm_no`, conditionNames(region.NoFamily), st.from, st.to)
	if err != nil {
		return fmt.Errorf("call-outs: %w", err)
	}
	var num int32
	var callOut, cause string
	var condition site.Condition
	var raised time.Time
	var cleared *time.Time
	_, err = pgx.ForEachRow(rows, []any{&num, &callOut, &condition, &raised, &cleared, &cause}, func() error {
		house, ok := st.index[num]
		if !ok {
			return nil // registered a moment ago by another instance: its next change finds it
		}
		a := region.CallOut{House: house, ID: callOut, Family: region.FamilyOf(condition), Mains: condition == site.MainsLost,
			Rain: condition == site.PumpSilentInRain || rainCauses[cause], At: raised.UTC(), End: instant(cleared)}
		if n := len(st.callOuts); n > 0 && st.callOuts[n-1].House == house && st.callOuts[n-1].ID == callOut {
			st.callOuts[n-1] = mergeCallOut(st.callOuts[n-1], a)
			return nil
		}
		st.callOuts = append(st.callOuts, a)
		return nil
	})
	if err != nil {
		return fmt.Errorf("call-outs: %w", err)
	}
	return nil
}

// mergeCallOut is the call-out of one more alarm; a comes first in time.
func mergeCallOut(a, b region.CallOut) region.CallOut {
	if b.Family < a.Family {
		a.Family = b.Family
	}
	a.Mains, a.Rain = a.Mains || b.Mains, a.Rain || b.Rain
	switch {
	case a.End.IsZero() || b.End.IsZero():
		a.End = time.Time{}
	default:
		a.End = later(a.End, b.End)
	}
	return a
}

func (st *regionalStep) loadStored(ctx context.Context) error {
	rows, err := st.tx.Query(ctx, `SELECT `+regionalColumns+` FROM regional_event e
		WHERE dissolved_at IS NULL AND since <= $2 AND last_at >= $1 ORDER BY event_id`, st.from, st.to)
	if err != nil {
		return fmt.Errorf("events: %w", err)
	}
	st.stored, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (RegionalEvent, error) { return scanRegional(r) })
	if err != nil {
		return fmt.Errorf("events: %w", err)
	}
	ids := make([]int64, len(st.stored))
	for i := range st.stored {
		ids[i] = st.stored[i].ID
	}
	st.memberOf = map[memberKey]storedMember{}
	rows, err = st.tx.Query(ctx, `SELECT property_id, call_out, event_id, since, until, joined_at FROM regional_member WHERE event_id = ANY($1)`, ids)
	if err != nil {
		return fmt.Errorf("members: %w", err)
	}
	var k memberKey
	var m storedMember
	var until *time.Time
	_, err = pgx.ForEachRow(rows, []any{&k.property, &k.callOut, &m.event, &m.since, &until, &m.joinedAt}, func() error {
		m.since, m.until = m.since.UTC(), instant(until)
		st.memberOf[k] = m
		return nil
	})
	if err != nil {
		return fmt.Errorf("members: %w", err)
	}
	return nil
}
