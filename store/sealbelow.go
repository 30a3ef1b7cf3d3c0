package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
)

// receiptOf is the time of receipt as it is stored, to the millisecond: no clock
// between gateway and service is better, and a microsecond of noise would cost
// more than all else of a sealed reading.
func receiptOf(d *Delivery) int64 {
	return pgMicros(d.Received) / 1000 * 1000
}

// setBelow takes out of rows what is of a time whose raw rows may be gone. Nearly
// always there is none.
func (b *batch) setBelow(rawFrom int64) {
	b.rows, b.below = append(b.rows, b.below...), b.below[:0] // of an attempt before
	if rawFrom <= storableFrom || !slices.ContainsFunc(b.rows, func(r row) bool { return r.at < rawFrom }) {
		return
	}
	hot := b.rows[:0]
	for _, r := range b.rows {
		if r.at < rawFrom {
			b.below = append(b.below, r)
		} else {
			hot = append(hot, r)
		}
	}
	b.rows = hot
	sortRows(b.below)
	b.months = monthsOf(b.months[:0], b.rows)
}

// writeBelow holds readings against the sealed days: the same value is a
// redelivery, another one conflicts, and what is new waits for an amendment.
func (s *Store) writeBelow(ctx context.Context, tx pgx.Tx, b *batch) error {
	reg := s.Registry()
	for i := 0; i < len(b.below); {
		n := i
		for n < len(b.below) && b.below[n].property == b.below[i].property && b.below[n].series == b.below[i].series {
			n++
		}
		p := reg.byID[b.below[i].property]
		if p == nil {
			return fmt.Errorf("property %d is not in the registry", b.below[i].property)
		}
		if err := writeBelowSeries(ctx, tx, b, p, b.below[i:n]); err != nil {
			return fmt.Errorf("late readings of %s: %w", p.ID, err)
		}
		i = n
	}
	return nil
}

// writeBelowSeries is for rows of one series, in the order of time.
func writeBelowSeries(ctx context.Context, tx pgx.Tx, b *batch, p *Registered, rows []row) error {
	known, err := sealedValues(ctx, tx, p, rows)
	if err != nil {
		return err
	}
	for i := range rows {
		r := &rows[i]
		value, ok := known[r.at]
		if !ok {
			fresh, stands, err := insertLate(ctx, tx, r)
			if err != nil {
				return err
			}
			known[r.at] = stands
			if fresh {
				b.stored++
				b.noteNew(r)
				continue
			}
			value = stands
		}
		if value == r.value {
			b.duplicate++
		} else {
			b.refuse(r, ReasonConflict, "another value is sealed for this time")
		}
		b.heard(r.property, r.gateway, r.received, PresenceNone)
	}
	return nil
}

// sealedValues are those that sealed days have at the times of rows.
func sealedValues(ctx context.Context, tx pgx.Tx, p *Registered, rows []row) (map[int64]float64, error) {
	wanted := map[int64]bool{}
	for i := range rows {
		wanted[rows[i].at] = true
	}
	series := p.series[rows[0].series]
	out := map[int64]float64{}
	q := sealedQuery{p: p, point: series.Point, from: rows[0].at, to: rows[len(rows)-1].at + 1}
	err := eachBlock(ctx, tx, q, func(_ int16, _ string, from time.Time, data []byte) error {
		block, err := evidence.UnpackQuantity(data, pgMicros(from), series.Quantity)
		if err != nil || block == nil {
			return err
		}
		for i, at := range block.At {
			if v := block.Values[0][i]; wanted[at] && !math.IsNaN(v) {
				out[at] = v
			}
		}
		return nil
	})
	return out, err
}

// insertLate stores a late reading, or finds the value that stands there.
func insertLate(ctx context.Context, tx pgx.Tx, r *row) (fresh bool, stands float64, err error) {
	var mark any
	if r.atReceipt {
		mark = true
	}
	err = tx.QueryRow(ctx, `WITH new AS (
			INSERT INTO late_reading (property_id, series_id, gateway_id, at, value, received_at, at_receipt)
			VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT DO NOTHING RETURNING value)
		SELECT true, value FROM new UNION ALL
		SELECT false, value FROM late_reading WHERE property_id = $1 AND series_id = $2 AND at = $4 AND NOT EXISTS (SELECT FROM new)`,
		r.property, r.series, r.gateway, timeOfMicros(r.at), r.value, timeOfMicros(r.received), mark).Scan(&fresh, &stands)
	if isNoRows(err) { // put there by another service this very moment
		err = tx.QueryRow(ctx, `SELECT value FROM late_reading WHERE property_id = $1 AND series_id = $2 AND at = $3`,
			r.property, r.series, timeOfMicros(r.at)).Scan(&stands)
	}
	return fresh, stands, err
}

// noteLate tells sealing of new readings of sealed days, and of days that are
// being sealed this very moment, which nobody sees yet: what is older than the
// delay may belong to one. Nearly all readings are a few seconds old and need no
// look.
func (r *round) noteLate(ctx context.Context, tx pgx.Tx) error {
	var nums []int32
	var earliest []time.Time
	for _, j := range r.jobs {
		if at := time.UnixMicro(j.earliest).UTC(); j.earliest != maxMicros && at.Before(r.now.Add(-sealMargin/2)) {
			nums, earliest = append(nums, j.num), append(earliest, at)
		}
	}
	if len(nums) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `INSERT INTO seal_due (property_id, earliest_at) SELECT u.p, u.e FROM unnest($1::int4[], $2::timestamptz[]) u(p, e)
		WHERE EXISTS (SELECT FROM sealed_day d WHERE d.property_id = u.p AND d.to_at > u.e AND d.leaf_no IS NOT NULL) OR u.e < $3`, nums, earliest, r.beingSealed())
	if err != nil {
		return fmt.Errorf("note late readings: %w", err)
	}
	return nil
}

// beingSealed is the time before which days may be on their way into the log.
func (r *round) beingSealed() time.Time {
	if r.s.opts.SealDelay == 0 { // not known here
		return time.Time{}
	}
	return r.now.Add(-r.s.opts.SealDelay)
}

// addLatestSealed finds the latest reading of series that have no raw row any
// more.
func (s *Store) addLatestSealed(ctx context.Context, p *Registered, out []LatestReading) ([]LatestReading, error) {
	rawFrom, err := s.rawFrom(ctx)
	if err != nil || rawFrom <= storableFrom {
		return out, err
	}
	for i, series := range p.series {
		if !series.Described || slices.ContainsFunc(out, func(l LatestReading) bool { return l.Point == series.Point && l.Quantity == series.Quantity }) {
			continue
		}
		m, ok, err := s.latestSealed(ctx, p, int16(i), rawFrom)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, LatestReading{Point: series.Point, Quantity: series.Quantity, Sample: m})
		}
	}
	slices.SortStableFunc(out, func(a, b LatestReading) int {
		x, _ := p.seriesByNumber(a.Point, a.Quantity)
		y, _ := p.seriesByNumber(b.Point, b.Quantity)
		return int(x) - int(y)
	})
	return out, nil
}

// latestSealed looks back from before, month by month, as far as anything was
// accepted.
func (s *Store) latestSealed(ctx context.Context, p *Registered, series int16, before int64) (Sample, bool, error) {
	const month = int64(31 * 24 * time.Hour / time.Microsecond)
	first, err := s.firstSealed(ctx, p, p.series[series].Point, storableFrom)
	if err != nil {
		return Sample{}, false, err
	}
	for to := before; to > first; to -= month {
		found, err := sealedSeries(ctx, s.api, sealedQuery{p: p, point: p.series[series].Point, quantity: p.series[series].Quantity, from: to - month, to: to}, series)
		if err != nil {
			return Sample{}, false, err
		}
		if n := len(found); n > 0 {
			return found[n-1], true, nil
		}
	}
	return Sample{}, false, nil
}
