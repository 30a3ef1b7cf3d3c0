package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// dueDays lists the days that are over and past their delay, property by
// property in order, at most about sealRound of them.
func (s *Store) dueDays(ctx context.Context, delay time.Duration, now time.Time) (jobs []*sealJob, more bool, err error) {
	if err := s.RefreshRegistry(ctx); err != nil {
		return nil, false, err
	}
	reg := s.Registry()
	sealed, err := s.lastSealed(ctx)
	if err != nil {
		return nil, false, err
	}
	total := 0
	for _, num := range slices.Sorted(mapKeys(reg.byID)) {
		p := reg.byID[num]
		last, known := sealed[num]
		if !known {
			continue // registered a moment ago
		}
		j, err := nextDays(p, last, delay, now, sealRound-total)
		if err != nil {
			return nil, false, fmt.Errorf("property %s: %w", p.ID, err)
		}
		if j == nil {
			continue
		}
		if len(j.days) == 0 { // there were some, and no room
			return jobs, true, nil
		}
		total += len(j.days)
		more = more || len(j.days) == maxJobDays
		jobs = append(jobs, j)
	}
	return jobs, more || total >= sealRound, nil
}

func mapKeys[V any](m map[int32]V) func(func(int32) bool) {
	return func(yield func(int32) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// nextDays are the days of p that may be sealed now, at most most; nil when
// there are none.
func nextDays(p *Registered, last lastSealed, delay time.Duration, now time.Time, most int) (*sealJob, error) {
	loc, err := time.LoadLocation(p.Zone)
	if err != nil {
		return nil, fmt.Errorf("time zone %q: %w", p.Zone, err)
	}
	date := site.DateOf(last.first.In(loc))
	if last.day != "" {
		d, err := site.ParseDate(last.day)
		if err != nil {
			return nil, err
		}
		date = d.AddDays(1)
	}
	wait := max(delay, sealMargin)
	var j *sealJob
	for {
		d := &sealDay{date: date, from: date.In(loc).UTC(), to: date.AddDays(1).In(loc).UTC()}
		if d.to.Add(wait).After(now) {
			return j, nil
		}
		if j == nil {
			j = &sealJob{reg: p, previous: last.hash}
		}
		if len(j.days) >= min(most, maxJobDays) {
			return j, nil
		}
		j.days = append(j.days, d)
		date = date.AddDays(1)
	}
}

// maxJobDays bounds what is in memory of one property's backlog.
const maxJobDays = 64

// lastSealed is where a property's days go on: the last sealed day and its hash,
// or, where there is none, when it began to be watched.
type lastSealed struct {
	day   string
	hash  [32]byte
	first time.Time
}

func (s *Store) lastSealed(ctx context.Context) (map[int32]lastSealed, error) {
	// The first day is the one of registration, or of the first reading where a
	// history was brought along.
	rows, err := s.sealing.Query(ctx, `SELECT p.property_id, coalesce(d.day::text, ''), coalesce(d.leaf_sha256, ''),
			CASE WHEN d.day IS NULL THEN greatest(p.accepts_from, least(p.registered_at, (
				SELECT min(r.at) FROM series s CROSS JOIN LATERAL (
					SELECT at FROM readings WHERE property_id = s.property_id AND series_id = s.series_id ORDER BY at LIMIT 1) r
				WHERE s.property_id = p.property_id))) ELSE p.registered_at END
		FROM property p LEFT JOIN LATERAL (
			SELECT day, leaf_sha256 FROM sealed_day WHERE property_id = p.property_id AND amendment = 0 AND leaf_no IS NOT NULL
			ORDER BY day DESC LIMIT 1) d ON true`)
	if err != nil {
		return nil, fmt.Errorf("last sealed days: %w", err)
	}
	out := map[int32]lastSealed{}
	var num int32
	var l lastSealed
	var hash []byte
	_, err = pgx.ForEachRow(rows, []any{&num, &l.day, &hash, &l.first}, func() error {
		l.hash = [32]byte{}
		copy(l.hash[:], hash)
		out[num] = l
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("last sealed days: %w", err)
	}
	return out, nil
}

// dueAmendments lists the sealed days that may have new readings, and the rows
// of the queue that told so.
func (s *Store) dueAmendments(ctx context.Context) ([]*sealJob, []int64, error) {
	rows, err := s.sealing.Query(ctx, `SELECT due_id, property_id, earliest_at FROM seal_due ORDER BY property_id, earliest_at`)
	if err != nil {
		return nil, nil, fmt.Errorf("queue of amendments: %w", err)
	}
	var ids []int64
	var id int64
	var num int32
	var at time.Time
	earliest := map[int32]time.Time{}
	_, err = pgx.ForEachRow(rows, []any{&id, &num, &at}, func() error {
		ids = append(ids, id)
		if e, ok := earliest[num]; !ok || at.Before(e) {
			earliest[num] = at
		}
		return nil
	})
	if err != nil {
		return nil, nil, fmt.Errorf("queue of amendments: %w", err)
	}
	var jobs []*sealJob
	reg := s.Registry()
	for _, num := range slices.Sorted(mapKeys(earliest)) {
		p := reg.byID[num]
		if p == nil {
			continue
		}
		more, err := s.amendJobs(ctx, p, earliest[num])
		if err != nil {
			return nil, nil, fmt.Errorf("amend %s: %w", p.ID, err)
		}
		jobs = append(jobs, more...)
	}
	return jobs, ids, nil
}

// amendJobs: days before the first sealed one are sealed now, sealed ones with
// more stored readings than sealed are amended.
func (s *Store) amendJobs(ctx context.Context, p *Registered, earliest time.Time) ([]*sealJob, error) {
	days, err := s.sealedSince(ctx, p, earliest)
	if err != nil || len(days) == 0 {
		return nil, err
	}
	var jobs []*sealJob
	if earliest.Before(days[0].from) {
		before, err := s.daysBefore(ctx, p, earliest, days[0])
		if err != nil {
			return nil, err
		}
		jobs = append(jobs, before...)
	}
	untold, err := s.untoldDays(ctx, p, earliest)
	if err != nil {
		return nil, err
	}
	var changed []*sealDay
	for _, d := range days {
		if d.stored != d.sealed || untold[pgMicros(d.from)] {
			changed = append(changed, &sealDay{date: d.date, from: d.from, to: d.to, next: d.next, previous: d.hash})
		}
	}
	for chunk := range slices.Chunk(changed, maxJobDays) {
		jobs = append(jobs, &sealJob{reg: p, days: chunk, amends: true})
	}
	return jobs, nil
}

// daysBefore are days up to the first sealed one, from that of the first stored
// reading since earliest. The first sealed one stays the first of its chain.
func (s *Store) daysBefore(ctx context.Context, p *Registered, earliest time.Time, sealed sealedSpan) ([]*sealJob, error) {
	var first *time.Time
	err := s.sealing.QueryRow(ctx, `SELECT least((SELECT min(r.at) FROM series s CROSS JOIN LATERAL (
				SELECT at FROM readings WHERE property_id = s.property_id AND series_id = s.series_id AND at >= $2 ORDER BY at LIMIT 1) r
			WHERE s.property_id = $1), (SELECT min(at) FROM late_reading WHERE property_id = $1 AND at >= $2))`, p.Num, earliest).Scan(&first)
	if err != nil || first == nil {
		return nil, err
	}
	loc, err := time.LoadLocation(p.Zone)
	if err != nil {
		return nil, fmt.Errorf("time zone %q: %w", p.Zone, err)
	}
	j := &sealJob{reg: p}
	for date := site.DateOf(first.In(loc)); date.Before(sealed.date); date = date.AddDays(1) {
		j.days = append(j.days, &sealDay{date: date, from: date.In(loc).UTC(), to: date.AddDays(1).In(loc).UTC()})
	}
	if len(j.days) == 0 {
		return nil, nil
	}
	return []*sealJob{j}, nil
}

// sealedSpan is a sealed day with how many readings are stored and sealed.
type sealedSpan struct {
	date           site.Date
	from, to       time.Time
	sealed, stored int
	next           int      // number of the next amendment
	hash           [32]byte // of its last record
}

// sealedSince lists the sealed days from that of a time on, and the first one
// of all where it is later. What is stored counts the raw rows and the late ones
// that are not among the sealed; where the raw rows are gone, what is sealed.
func (s *Store) sealedSince(ctx context.Context, p *Registered, from time.Time) ([]sealedSpan, error) {
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := s.sealing.Query(ctx, `SELECT d.day::text, min(d.from_at), max(d.to_at), sum(d.readings), max(d.amendment) + 1,
			(array_agg(d.leaf_sha256 ORDER BY d.amendment DESC))[1],
			(SELECT count(*) FROM series s JOIN readings r USING (property_id, series_id)
				WHERE s.property_id = $1 AND r.at >= min(d.from_at) AND r.at < max(d.to_at) AND r.at >= $3),
			(SELECT count(*) FROM late_reading l WHERE l.property_id = $1 AND l.at >= min(d.from_at) AND l.at < max(d.to_at))
		FROM sealed_day d WHERE d.property_id = $1 AND d.leaf_no IS NOT NULL AND d.to_at > $2 GROUP BY d.day ORDER BY d.day`, p.Num, from, timeOfMicros(rawFrom))
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (d sealedSpan, err error) {
		var day string
		var hash []byte
		var raw, late int
		if err := r.Scan(&day, &d.from, &d.to, &d.sealed, &d.next, &hash, &raw, &late); err != nil {
			return d, err
		}
		d.from, d.to, d.hash = d.from.UTC(), d.to.UTC(), [32]byte(hash)
		d.stored = raw
		switch {
		case pgMicros(d.to) <= rawFrom:
			d.stored = d.sealed + late // what is sealed already is left out when they are read
		case pgMicros(d.from) < rawFrom:
			d.stored = -1 // only a look at each reading tells
		}
		d.date, err = site.ParseDate(day)
		return d, err
	})
}

// discardDue removes what was waiting for amendments that are in the log now:
// rows of the queue, and late readings that are sealed.
func (s *Store) discardDue(ctx context.Context, ids []int64) error {
	if len(ids) == 0 {
		return nil
	}
	if err := s.discardLate(ctx); err != nil {
		return err
	}
	if _, err := s.sealing.Exec(ctx, `DELETE FROM seal_due WHERE due_id = ANY($1)`, ids); err != nil {
		return fmt.Errorf("discard the queue of amendments: %w", err)
	}
	return nil
}
