package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/alerting/region"
)

// write brings the stored events to what was found. An event keeps its number
// as long as most of its call-outs stay together.
func (st *regionalStep) write(ctx context.Context, found []region.Event) error {
	ids := st.match(found)
	var q pgx.Batch
	into := map[int64]int64{} // of stored events that are no more: where most of them went
	for i := range found {
		e, err := st.put(ctx, &q, found[i], ids[i])
		if err != nil {
			return err
		}
		st.putMembers(&q, &e, found[i], into)
	}
	st.removeMembers(&q, found)
	st.endStored(&q, ids, into)
	if q.Len() == 0 {
		return nil
	}
	if err := st.tx.SendBatch(ctx, &q).Close(); err != nil {
		return fmt.Errorf("write regional events: %w", err)
	}
	return nil
}

func (st *regionalStep) key(c *region.CallOut) memberKey {
	return memberKey{st.houses[c.House].Num, c.ID}
}

// match gives each found event the stored one with which it shares the most
// call-outs, 0 for none; the older one first where two share as many.
func (st *regionalStep) match(found []region.Event) []int64 {
	type pair struct {
		shared, found int
		stored        int64
	}
	var pairs []pair
	for i := range found {
		shared := map[int64]int{}
		for _, m := range found[i].Members {
			if s, ok := st.memberOf[st.key(&st.callOuts[m])]; ok {
				shared[s.event]++
			}
		}
		for id, n := range shared {
			pairs = append(pairs, pair{n, i, id})
		}
	}
	slices.SortFunc(pairs, func(a, b pair) int {
		return cmp.Or(cmp.Compare(b.shared, a.shared), cmp.Compare(a.stored, b.stored), cmp.Compare(a.found, b.found))
	})
	ids := make([]int64, len(found))
	taken := map[int64]bool{}
	for _, p := range pairs {
		if ids[p.found] == 0 && !taken[p.stored] {
			ids[p.found], taken[p.stored] = p.stored, true
		}
	}
	return ids
}

func (st *regionalStep) storedEvent(id int64) *RegionalEvent {
	i, ok := slices.BinarySearchFunc(st.stored, id, func(e RegionalEvent, id int64) int { return cmp.Compare(e.ID, id) })
	if !ok {
		return nil
	}
	return &st.stored[i]
}

// put writes an event if it differs from what is stored, and notes the change.
func (st *regionalStep) put(ctx context.Context, q *pgx.Batch, f region.Event, id int64) (RegionalEvent, error) {
	e := RegionalEvent{Kind: f.Kind, Houses: f.Houses, Since: f.Since, Until: f.Until, LastAt: f.Since, Located: f.Located > 0,
		Latitude: f.Lat, Longitude: f.Lon, RadiusKm: f.RadiusKm, Why: f.Why, OpenedAt: st.now, ChangedAt: st.now}
	for _, m := range f.Members {
		e.LastAt = later(e.LastAt, st.callOuts[m].At)
	}
	args := []any{string(e.Kind), e.Houses, e.Since, e.LastAt, nullInstant(e.Until), nil, nil, nil,
		e.Why.Houses, e.Why.InReach, e.Why.ReachKm, e.Why.Span.Hours(), e.Why.Expected, e.Why.Probability, e.Why.RatePerYear, st.now}
	if e.Located {
		args[5], args[6], args[7] = e.Latitude, e.Longitude, e.RadiusKm
	}
	if id == 0 {
		err := st.tx.QueryRow(ctx, `INSERT INTO regional_event (kind, houses, since, last_at, until, latitude, longitude, radius_km, near_houses,
				near_fleet, near_km, near_hours, expected, probability, usual_a_year, opened_at, changed_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $16) RETURNING event_id`, args...).Scan(&e.ID)
		if err != nil {
			return e, fmt.Errorf("new regional event: %w", err)
		}
		return e, nil
	}
	old := st.storedEvent(id)
	e.ID, e.OpenedAt = id, old.OpenedAt
	if sameRegional(old, &e) {
		e.ChangedAt = old.ChangedAt
		return e, nil
	}
	q.Queue(`UPDATE regional_event SET kind = $1, houses = $2, since = $3, last_at = $4, until = $5, latitude = $6, longitude = $7, radius_km = $8,
		near_houses = $9, near_fleet = $10, near_km = $11, near_hours = $12, expected = $13, probability = $14, usual_a_year = $15,
		changed_at = $16 WHERE event_id = $17`, append(args, id)...)
	return e, nil
}

// sameRegional compares what may change; figures of chance follow the rest.
func sameRegional(a, b *RegionalEvent) bool {
	return a.Kind == b.Kind && a.Houses == b.Houses && a.Since.Equal(b.Since) && a.LastAt.Equal(b.LastAt) && a.Until.Equal(b.Until) &&
		a.Located == b.Located && a.Why.Houses == b.Why.Houses && a.Why.InReach == b.Why.InReach
}

// putMembers writes the call-outs of an event that are new in it or have
// changed, and notes what happened to it.
func (st *regionalStep) putMembers(q *pgx.Batch, e *RegionalEvent, f region.Event, into map[int64]int64) {
	var joined []RegionalMember
	for _, i := range f.Members {
		c := &st.callOuts[i]
		k := st.key(c)
		old, was := st.memberOf[k]
		m := RegionalMember{Property: st.houses[c.House].ID, CallOut: c.ID, Since: c.At, Until: c.End, JoinedAt: st.now}
		if was && old.event == e.ID {
			m.JoinedAt = old.joinedAt
		} else {
			joined = append(joined, m)
		}
		if was && old.event != e.ID {
			into[old.event] = e.ID
		}
		e.Members = append(e.Members, m)
		if was && old.event == e.ID && old.since.Equal(c.At) && old.until.Equal(c.End) {
			continue
		}
		q.Queue(`INSERT INTO regional_member (property_id, call_out, event_id, since, until, joined_at) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT (property_id, call_out) DO UPDATE SET event_id = excluded.event_id, since = excluded.since,
				until = excluded.until, joined_at = excluded.joined_at`, k.property, c.ID, e.ID, c.At, nullInstant(c.End), m.JoinedAt)
	}
	old := st.storedEvent(e.ID)
	note := func(kind RegionalChangeKind, joined []RegionalMember) {
		st.changes = append(st.changes, RegionalChange{Kind: kind, Event: *e, Joined: joined})
	}
	switch {
	case old == nil:
		note(RegionalOpened, joined)
	case len(joined) > 0:
		note(RegionalGrew, joined)
	}
	wasOpen := old == nil || old.Until.IsZero()
	switch {
	case wasOpen && !e.Until.IsZero():
		note(RegionalEnded, nil)
	case !wasOpen && e.Until.IsZero():
		note(RegionalResumed, nil)
	}
}

// removeMembers drops what is in no event any more: withdrawn, or moved.
func (st *regionalStep) removeMembers(q *pgx.Batch, found []region.Event) {
	stays := map[memberKey]bool{}
	for i := range found {
		for _, m := range found[i].Members {
			stays[st.key(&st.callOuts[m])] = true
		}
	}
	for k := range st.memberOf {
		if !stays[k] {
			q.Queue(`DELETE FROM regional_member WHERE property_id = $1 AND call_out = $2`, k.property, k.callOut)
		}
	}
}

// endStored closes the stored events that nothing was found for.
func (st *regionalStep) endStored(q *pgx.Batch, ids []int64, into map[int64]int64) {
	for i := range st.stored {
		e := st.stored[i]
		if slices.Contains(ids, e.ID) {
			continue
		}
		e.ChangedAt, e.DissolvedAt, e.MergedInto = st.now, st.now, into[e.ID]
		kind := RegionalDissolved
		var merged any
		if e.MergedInto != 0 {
			kind, merged = RegionalMerged, e.MergedInto
		}
		q.Queue(`UPDATE regional_event SET dissolved_at = $2, changed_at = $2, merged_into = $3, houses = 0 WHERE event_id = $1`, e.ID, st.now, merged)
		st.changes = append(st.changes, RegionalChange{Kind: kind, Event: e})
	}
}

// queueRegional puts a changed alarm before the next look at the region, where
// it was and where it is now.
func (j *job) queueRegional(q *pgx.Batch, c alerting.Change) {
	if !joinable(c.Alarm.Condition) {
		return
	}
	const sql = `INSERT INTO regional_due (property_id, at) VALUES ($1, $2)`
	q.Queue(sql, j.num, c.Alarm.RaisedAt)
	if c.Ref < len(j.input.Ledger) && !j.input.Ledger[c.Ref].RaisedAt.Equal(c.Alarm.RaisedAt) {
		q.Queue(sql, j.num, j.input.Ledger[c.Ref].RaisedAt)
	}
}
