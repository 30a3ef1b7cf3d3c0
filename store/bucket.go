package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
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
	p, series, err := s.findSeries(q.Property, q.Point, q.Quantity)
	if err != nil {
		return nil, err
	}
	rows, err := s.api.Query(ctx, `SELECT date_bin($5, at, $3) AS bucket, min(value), avg(value), max(value), sum(value), count(*)
		FROM readings WHERE property_id = $1 AND series_id = $2 AND at >= $3 AND at < $4
		GROUP BY bucket ORDER BY bucket`, p.Num, series, q.From, q.To, width)
	if err != nil {
		return nil, fmt.Errorf("sum up %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (b Bucket, err error) {
		err = r.Scan(&b.At, &b.Low, &b.Mean, &b.High, &b.Sum, &b.Count)
		b.At = b.At.UTC()
		return b, err
	})
	if err != nil {
		return nil, fmt.Errorf("sum up %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
	}
	return out, nil
}
