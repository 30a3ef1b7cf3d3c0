package store

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// Bucket sums up the readings of one series in [At, At+width), in the stored
// unit of the quantity.
type Bucket struct {
	At              time.Time
	Low, Mean, High float64
	Sum             float64
	Count           int
}

// Buckets sums a series up in steps of width, aligned to q.From, which must not
// be open; empty buckets are left out. q.After and q.Limit are not used. For
// charts: what is drawn in a few hundred pixels need not leave the database row
// by row.
func (s *Store) Buckets(ctx context.Context, q ReadingQuery, width time.Duration) ([]Bucket, error) {
	if width < time.Second || q.From.IsZero() || q.To.IsZero() {
		return nil, invalid("buckets of %s from %s to %s", width, q.From, q.To)
	}
	p, series, err := s.findSeries(ctx, q.Property, q.Point, q.Quantity)
	if err != nil {
		return nil, err
	}
	whole, err := s.wholeBefore(ctx, p)
	if err != nil {
		return nil, err
	}
	ask := ColumnQuery{Property: q.Property, Point: q.Point, Quantities: []site.Quantity{q.Quantity}, From: q.From, To: q.To}
	columns, err := s.sealedColumns(ctx, p, []int16{series}, ask, whole)
	if err != nil {
		return nil, fmt.Errorf("sum up %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
	}
	var sealed []Bucket
	for _, c := range columns[0] {
		sealed = addToBuckets(sealed, q.From, width, c)
	}
	raw := q.From
	if t := timeOfMicros(whole); raw.Before(t) {
		raw = t
	}
	if !raw.Before(q.To) {
		return sealed, nil
	}
	out, err := s.rawBuckets(ctx, p, series, q, raw, width)
	if err != nil {
		return nil, fmt.Errorf("sum up %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
	}
	return joinBuckets(sealed, out), nil
}

// rawBuckets sums up raw rows from a time on.
func (s *Store) rawBuckets(ctx context.Context, p *Registered, series int16, q ReadingQuery, from time.Time, width time.Duration) ([]Bucket, error) {
	rows, err := s.api.Query(ctx, `SELECT date_bin($5, at, $3) AS bucket, min(value), max(value), sum(value), count(*)
		FROM readings WHERE property_id = $1 AND series_id = $2 AND at >= $6 AND at < $4
		GROUP BY bucket ORDER BY bucket`, p.Num, series, q.From, q.To, width, from)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (b Bucket, err error) {
		err = r.Scan(&b.At, &b.Low, &b.High, &b.Sum, &b.Count)
		b.At, b.Mean = b.At.UTC(), b.Sum/float64(b.Count)
		return b, err
	})
}

// addToBuckets takes a column into buckets aligned to from.
func addToBuckets(out []Bucket, from time.Time, width time.Duration, c Column) []Bucket {
	start, step := from.UnixMicro(), width.Microseconds()
	end := int64(math.MinInt64) // of the last bucket
	for row, at := range c.At {
		v := c.Values[row]
		if math.IsNaN(v) {
			continue
		}
		if at >= end {
			begin := at - (at-start)%step
			end = begin + step
			out = append(out, Bucket{At: time.UnixMicro(begin).UTC(), Low: v, High: v})
		}
		b := &out[len(out)-1]
		b.Low, b.High = min(b.Low, v), max(b.High, v)
		b.Sum += v
		b.Count++
	}
	for i := range out {
		out[i].Mean = out[i].Sum / float64(out[i].Count)
	}
	return out
}

// joinBuckets puts later buckets behind earlier ones; the last of these and the
// first of those may be one.
func joinBuckets(earlier, later []Bucket) []Bucket {
	if len(earlier) == 0 || len(later) == 0 || !earlier[len(earlier)-1].At.Equal(later[0].At) {
		return append(earlier, later...)
	}
	a, b := &earlier[len(earlier)-1], later[0]
	a.Low, a.High, a.Sum, a.Count = min(a.Low, b.Low), max(a.High, b.High), a.Sum+b.Sum, a.Count+b.Count
	a.Mean = a.Sum / float64(a.Count)
	return append(earlier, later[1:]...)
}
