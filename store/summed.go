package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/evidence"
	"underkeep/store/site"
)

// SumQuery asks for all series of a property, summed up in steps of Width from
// From on.
type SumQuery struct {
	Property string
	From, To time.Time // From inclusive, To exclusive; neither open
	Width    time.Duration
}

// SummedSeries is one series in buckets, in the order of time; empty ones are
// left out.
type SummedSeries struct {
	Point    string
	Quantity site.Quantity
	Buckets  []Bucket
}

// mostSummed bounds the buckets of one series.
const mostSummed = 200_000

// Summed sums up every series of a property in one go: sealed days are unpacked
// once, and raw rows leave the database summed up. For the charts of a page.
func (s *Store) Summed(ctx context.Context, q SumQuery) ([]SummedSeries, error) {
	if q.Width < time.Second || q.From.IsZero() || !q.From.Before(q.To) || q.To.Sub(q.From)/q.Width > mostSummed {
		return nil, invalid("buckets of %s from %s to %s", q.Width, q.From, q.To)
	}
	p, ok := s.Registered(ctx, q.Property)
	if !ok {
		return nil, notFound("property %s", q.Property)
	}
	whole, err := s.wholeBefore(ctx, p)
	if err != nil {
		return nil, err
	}
	g := newSummer(p, q)
	if err := s.sumSealed(ctx, p, q, whole, g); err != nil {
		return nil, fmt.Errorf("sum up %s: %w", q.Property, err)
	}
	if err := s.sumRaw(ctx, p, q, whole, g); err != nil {
		return nil, fmt.Errorf("sum up %s: %w", q.Property, err)
	}
	return g.series(), nil
}

// summer adds readings up in a grid of steps, by series.
type summer struct {
	p     *Registered
	from  int64 // Unix µs
	step  int64
	steps int
	grid  [][]Bucket // by the number of the series; nil: nothing of it
}

func newSummer(p *Registered, q SumQuery) *summer {
	return &summer{p: p, from: q.From.UnixMicro(), step: q.Width.Microseconds(), steps: int((q.To.Sub(q.From) + q.Width - 1) / q.Width), grid: make([][]Bucket, len(p.series))}
}

// row is the grid of a series.
func (g *summer) row(series int16) []Bucket {
	if g.grid[series] == nil {
		g.grid[series] = make([]Bucket, g.steps)
	}
	return g.grid[series]
}

// add takes a column of a series, cut to [from, to) in Unix µs. Times go up
// nearly always, so the step of the one before is tried first.
func (g *summer) add(series int16, at []int64, values []float64, from, to int64) {
	row := g.row(series)
	end := int64(math.MinInt64) // of the step in hand
	var b *Bucket
	for i, t := range at {
		v := values[i]
		if math.IsNaN(v) || t < from || t >= to {
			continue
		}
		if t >= end || t < end-g.step {
			k := (t - g.from) / g.step
			b, end = &row[k], g.from+(k+1)*g.step
		}
		if b.Count == 0 {
			b.Low, b.High = v, v
		}
		b.Low, b.High = min(b.Low, v), max(b.High, v)
		b.Sum += v
		b.Count++
	}
}

// take adds what another bucket of the same step has.
func (b *Bucket) take(o Bucket) {
	if b.Count == 0 {
		b.Low, b.High = o.Low, o.High
	}
	b.Low, b.High = min(b.Low, o.Low), max(b.High, o.High)
	b.Sum += o.Sum
	b.Count += o.Count
}

func (g *summer) series() []SummedSeries {
	var out []SummedSeries
	for no, row := range g.grid {
		if row == nil {
			continue
		}
		s := SummedSeries{Point: g.p.series[no].Point, Quantity: g.p.series[no].Quantity, Buckets: row[:0]}
		for k, b := range row {
			if b.Count > 0 {
				b.At, b.Mean = time.UnixMicro(g.from+int64(k)*g.step).UTC(), b.Sum/float64(b.Count)
				s.Buckets = append(s.Buckets, b)
			}
		}
		if len(s.Buckets) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// sumSealed takes what is before whole. Late readings that no amendment has yet
// may stand in a staged one too: where there are any, and else never, points are
// put together one by one as Columns does.
func (s *Store) sumSealed(ctx context.Context, p *Registered, q SumQuery, whole int64, g *summer) error {
	sq := sealedQuery{p: p, from: max(storableFrom, pgMicros(q.From)), to: min(whole, pgMicros(q.To))}
	if sq.from >= sq.to {
		return nil
	}
	late, err := lateReadings(ctx, s.api, sq)
	if err != nil {
		return err
	}
	if len(late) > 0 {
		return s.sumPoints(ctx, p, q, whole, g)
	}
	from, to := sq.from+pgEpochMicros, sq.to+pgEpochMicros
	points := map[string]*pointColumns{}
	return eachBlock(ctx, s.api, sq, func(_ int16, point string, day time.Time, data []byte) error {
		c := points[point]
		if c == nil {
			c = columnsOf(p, point)
			points[point] = c
		}
		c.clear()
		if err := c.Append(data, day.UnixMicro()); err != nil {
			return fmt.Errorf("sealed day %s at %s: %w", day.Format(time.DateOnly), point, err)
		}
		for i, no := range c.numbers {
			g.add(no, c.At, c.Values[i], from, to)
		}
		return nil
	})
}

// pointColumns unpacks block after block of a point into the same memory.
type pointColumns struct {
	evidence.Columns
	numbers []int16 // of the series, by quantity
}

func columnsOf(p *Registered, point string) *pointColumns {
	c := &pointColumns{}
	for no, s := range p.series {
		if s.Point == point && !slices.Contains(c.Quantities, s.Quantity) {
			c.Quantities, c.numbers = append(c.Quantities, s.Quantity), append(c.numbers, int16(no))
		}
	}
	c.Values = make([][]float64, len(c.Quantities))
	return c
}

func (c *pointColumns) clear() {
	c.At = c.At[:0]
	for i := range c.Values {
		c.Values[i] = c.Values[i][:0]
	}
}

// sumPoints is the careful way, a point at a time.
func (s *Store) sumPoints(ctx context.Context, p *Registered, q SumQuery, whole int64, g *summer) error {
	done := map[string]bool{}
	for _, series := range p.series {
		if done[series.Point] {
			continue
		}
		done[series.Point] = true
		c := columnsOf(p, series.Point)
		found, err := s.sealedColumns(ctx, p, c.numbers, ColumnQuery{Property: p.ID, Point: series.Point, Quantities: c.Quantities, From: q.From, To: q.To}, whole)
		if err != nil {
			return err
		}
		for i, no := range c.numbers {
			for _, column := range found[i] {
				g.add(no, column.At, column.Values, math.MinInt64, math.MaxInt64)
			}
		}
	}
	return nil
}

// sumRaw has the database sum up what is from whole on.
func (s *Store) sumRaw(ctx context.Context, p *Registered, q SumQuery, whole int64, g *summer) error {
	from := q.From
	if w := timeOfMicros(whole); whole > storableFrom && from.Before(w) {
		from = w
	}
	if !from.Before(q.To) {
		return nil
	}
	// Series by series, from the index, which has them in the order of time.
	rows, err := s.api.Query(ctx, `SELECT s.series_id, b.* FROM series s CROSS JOIN LATERAL (
			SELECT date_bin($5, at, $4) AS bucket, min(value), max(value), sum(value), count(*) FROM readings r
			WHERE r.property_id = $1 AND r.series_id = s.series_id AND at >= $2 AND at < $3 GROUP BY bucket) b
		WHERE s.property_id = $1`, p.Num, from, q.To, q.From, q.Width)
	if err != nil {
		return err
	}
	var no int16
	var at time.Time
	var b Bucket
	_, err = pgx.ForEachRow(rows, []any{&no, &at, &b.Low, &b.High, &b.Sum, &b.Count}, func() error {
		if int(no) < len(g.grid) { // else described a moment ago
			g.row(no)[(at.UnixMicro()-g.from)/g.step].take(b)
		}
		return nil
	})
	return err
}
