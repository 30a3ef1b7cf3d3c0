package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"underkeep/store/evidence"
	"underkeep/store/site"
)

// ColumnQuery asks for what was measured at one point, column by column.
type ColumnQuery struct {
	Property   string
	Point      string
	Quantities []site.Quantity // each once
	From, To   time.Time       // From inclusive, To exclusive; zero: open
	Receipts   bool            // the times of receipt too
	// Within spares the times of receipt where they do not matter: a reading that
	// came within it after its time may have its own time in the place of its
	// receipt. 0: not.
	Within time.Duration
}

// Column is a run of readings of one quantity, in the order of time. Columns of
// several quantities may share At and Received, so neither is to be changed.
type Column struct {
	At       []int64   // Unix µs
	Received []int64   // Unix µs; nil unless asked for
	Values   []float64 // in the stored unit; NaN: nothing of it at that time
}

// Columns reads a point's readings, by the quantities asked for; each has its
// columns in the order of time, without overlap. It is for whoever goes through
// much of a history: sealed days are unpacked once for all quantities, and no
// function is called for a reading. ErrNotFound when there is no such property
// or none of the series; a quantity that was never measured has no columns.
func (s *Store) Columns(ctx context.Context, q ColumnQuery) ([][]Column, error) {
	series := make([]int16, len(q.Quantities))
	var p *Registered
	for i, quantity := range q.Quantities {
		found, no, err := s.findSeries(ctx, q.Property, q.Point, quantity)
		if series[i] = no; err != nil {
			series[i] = noSeries
			continue
		}
		p = found
	}
	if p == nil {
		return nil, notFound("any of %v at point %s of %s", q.Quantities, q.Point, q.Property)
	}
	whole, err := s.wholeBefore(ctx, p)
	if err != nil {
		return nil, err
	}
	out, err := s.sealedColumns(ctx, p, series, q, whole)
	if err != nil {
		return nil, fmt.Errorf("read %s of %s: %w", q.Point, q.Property, err)
	}
	if from := timeOfMicros(whole); q.From.Before(from) {
		q.From = from
	}
	if !q.To.IsZero() && !q.From.Before(q.To) {
		return out, nil
	}
	for i, no := range series {
		if no == noSeries {
			continue
		}
		c, err := s.rawColumn(ctx, p, no, q, q.Quantities[i])
		if err != nil {
			return nil, err
		}
		if len(c.At) > 0 {
			out[i] = append(out[i], c)
		}
	}
	return out, nil
}

const noSeries = int16(-1)

// sealedColumns reads what is before a time, in µs of Postgres, before which
// sealed days are whole.
func (s *Store) sealedColumns(ctx context.Context, p *Registered, series []int16, q ColumnQuery, before int64) ([][]Column, error) {
	out := make([][]Column, len(q.Quantities))
	sq := sealedQuery{p: p, point: q.Point, from: storableFrom, to: before}
	if !q.From.IsZero() {
		sq.from = max(sq.from, pgMicros(q.From))
	}
	if !q.To.IsZero() {
		sq.to = min(sq.to, pgMicros(q.To))
	}
	if sq.from >= sq.to {
		return out, nil
	}
	from, err := s.firstSealed(ctx, p, q.Point, sq.from)
	if err != nil || from >= sq.to {
		return out, err
	}
	sq.from = from
	c := evidence.Columns{Quantities: q.Quantities, Receipts: q.Receipts, Within: q.Within.Microseconds()}
	c.Grow(int(min((sq.to-sq.from)/usualStep, mostGrown)))
	err = eachBlock(ctx, s.api, sq, func(_ int16, _ string, from time.Time, data []byte) error { return c.Append(data, from.UnixMicro()) })
	if err != nil {
		return nil, err
	}
	c.Finish()
	late, err := lateReadings(ctx, s.api, sq)
	if err != nil {
		return nil, err
	}
	for _, r := range late {
		if i := slices.Index(series, r.series); i >= 0 {
			addRow(&c, i, r)
		}
	}
	cut := cutColumns(&c, sq.from+pgEpochMicros, sq.to+pgEpochMicros)
	for i, values := range cut.Values {
		if len(cut.At) > 0 && series[i] != noSeries {
			out[i] = []Column{{At: cut.At, Received: cut.Received, Values: values}}
		}
	}
	return out, nil
}

// Room for columns is made at once for the usual five minutes from row to row.
const (
	usualStep = int64(5 * time.Minute / time.Microsecond)
	mostGrown = 200_000
)

// addRow puts a reading of quantity i behind columns.
func addRow(c *evidence.Columns, i int, r rawReading) {
	c.At = append(c.At, r.at)
	if c.Receipts {
		c.Received = append(c.Received, r.received)
	}
	for k := range c.Values {
		c.Values[k] = append(c.Values[k], math.NaN())
	}
	c.Values[i][len(c.At)-1] = r.value
}

// cutColumns puts rows in the order of time where amendments and late readings
// broke it, and cuts off what is outside [from, to), in Unix µs.
func cutColumns(c *evidence.Columns, from, to int64) *evidence.Columns {
	if !slices.IsSorted(c.At) {
		c = sortedColumns(c)
	}
	onceOnly(c)
	lo, _ := slices.BinarySearch(c.At, from)
	hi, _ := slices.BinarySearch(c.At, to)
	cut := *c
	cut.At, cut.Values = c.At[lo:hi:hi], make([][]float64, len(c.Values))
	for i := range c.Values {
		cut.Values[i] = c.Values[i][lo:hi:hi]
	}
	if c.Receipts {
		cut.Received = c.Received[lo:hi:hi]
	}
	return &cut
}

func sortedColumns(c *evidence.Columns) *evidence.Columns {
	order := make([]int, len(c.At))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return int(min(max(c.At[a]-c.At[b], -1), 1)) })
	out := &evidence.Columns{Quantities: c.Quantities, Receipts: c.Receipts, At: reordered(c.At, order), Values: make([][]float64, len(c.Values))}
	if c.Receipts {
		out.Received = reordered(c.Received, order)
	}
	for i := range c.Values {
		out.Values[i] = reordered(c.Values[i], order)
	}
	return out
}

func reordered[T any](s []T, order []int) []T {
	out := make([]T, len(order))
	for i, from := range order {
		out[i] = s[from]
	}
	return out
}

// onceOnly takes a value away where the same quantity has one at the same time
// already: what is late may be in a staged amendment too.
func onceOnly(c *evidence.Columns) {
	for row := 1; row < len(c.At); row++ {
		for earlier := row - 1; earlier >= 0 && c.At[earlier] == c.At[row]; earlier-- {
			for i := range c.Values {
				if !math.IsNaN(c.Values[i][earlier]) {
					c.Values[i][row] = math.NaN()
				}
			}
		}
	}
}

// rawColumn reads raw rows of one series.
func (s *Store) rawColumn(ctx context.Context, p *Registered, series int16, q ColumnQuery, quantity site.Quantity) (Column, error) {
	var c Column
	ask := ReadingQuery{Property: q.Property, Point: q.Point, Quantity: quantity, From: q.From, To: q.To}
	err := s.eachRaw(ctx, p, series, ask, 0, func(m Sample) error {
		c.At, c.Values = append(c.At, m.At.UnixMicro()), append(c.Values, m.Value)
		if q.Receipts {
			c.Received = append(c.Received, m.Received.UnixMicro())
		}
		return nil
	})
	return c, err
}
