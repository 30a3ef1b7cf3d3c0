package store

import (
	"context"
	"math"
	"time"
)

// A run is fetched at a time, of about this many readings, however long the
// period is: memory stays constant.
const (
	runRows    = 40_000
	firstRun   = 24 * time.Hour
	longestRun = 400 * 24 * time.Hour
)

// EachRun calls f with runs of one series in the order of time: q has one
// quantity and a beginning and an end. The slices are f's until it returns; at
// is in Unix µs. What arrives meanwhile may be in it or not.
func (s *Store) EachRun(ctx context.Context, q ColumnQuery, f func(at []int64, values []float64) error) error {
	if len(q.Quantities) != 1 || q.From.IsZero() || q.To.IsZero() {
		return invalid("runs of %d quantities from %s to %s", len(q.Quantities), q.From, q.To)
	}
	step := firstRun
	for to := q.To; q.From.Before(to); q.From = q.To {
		q.To = to
		if end := q.From.Add(step); end.Before(to) {
			q.To = end
		}
		columns, err := s.Columns(ctx, q)
		if err != nil {
			return err
		}
		rows := 0
		for _, c := range columns[0] {
			at, values := measuredOnly(c)
			if rows += len(at); len(at) > 0 {
				if err := f(at, values); err != nil {
					return err
				}
			}
		}
		step = nextRun(step, rows)
	}
	return nil
}

// nextRun is how long the next run is to be, given how many rows the last had.
func nextRun(step time.Duration, rows int) time.Duration {
	grown := 4 * step
	if rows > 0 {
		grown = time.Duration(min(float64(grown), float64(step)*runRows/float64(rows)))
	}
	return min(max(grown, time.Minute), longestRun)
}

// measuredOnly leaves out rows that have nothing of the quantity.
func measuredOnly(c Column) (at []int64, values []float64) {
	missing := false
	for _, v := range c.Values {
		if math.IsNaN(v) {
			missing = true
			break
		}
	}
	if !missing {
		return c.At, c.Values
	}
	for i, v := range c.Values {
		if !math.IsNaN(v) {
			at, values = append(at, c.At[i]), append(values, v)
		}
	}
	return at, values
}
