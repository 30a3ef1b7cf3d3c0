package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/store/site"
)

// ReadingQuery asks for the readings of one quantity at one point.
type ReadingQuery struct {
	Property string
	Point    string
	Quantity site.Quantity
	From, To time.Time // From inclusive, To exclusive; zero: open
	After    time.Time // continue behind this time; zero: from the start
	Limit    int       // at most so many; 0: no limit
}

// Sample is one reading as it is shown.
type Sample struct {
	At       time.Time
	Value    float64 // in the stored unit of the quantity
	Received time.Time
	// AtReceipt: the time was resolved against the receipt.
	AtReceipt bool
}

// readingPage is how many readings are fetched at once, so that whoever takes
// them slowly holds no connection.
const readingPage = 20_000

// EachReading calls f for every reading asked for in the order of time, and
// stops with f's error. ErrNotFound when there is no such property or series;
// series that are no longer described are still read.
func (s *Store) EachReading(ctx context.Context, q ReadingQuery, f func(Sample) error) error {
	p, series, err := s.findSeries(ctx, q.Property, q.Point, q.Quantity)
	if err != nil {
		return err
	}
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return err
	}
	left, err := s.eachSealed(ctx, p, series, q, rawFrom, f)
	if err != nil || q.Limit > 0 && left == 0 {
		return err
	}
	if from := timeOfMicros(rawFrom); q.From.Before(from) {
		q.From = from
	}
	if !q.To.IsZero() && !q.From.Before(q.To) {
		return nil
	}
	return s.eachRaw(ctx, p, series, q, left, f)
}

// eachSealed calls f for the readings before rawFrom, which raw rows may not
// have any more, and returns how many of q.Limit are left.
func (s *Store) eachSealed(ctx context.Context, p *Registered, series int16, q ReadingQuery, rawFrom int64, f func(Sample) error) (left int, err error) {
	left = q.Limit
	from, to := storableFrom, rawFrom
	if !q.From.IsZero() {
		from = max(from, pgMicros(q.From))
	}
	if !q.After.IsZero() {
		from = max(from, pgMicros(q.After)+1)
	}
	if !q.To.IsZero() {
		to = min(to, pgMicros(q.To))
	}
	if from >= to {
		return left, nil
	}
	if from, err = s.firstSealed(ctx, p, q.Point, from); err != nil {
		return left, fmt.Errorf("read %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
	}
	for ; from < to; from += sealedWindow {
		found, err := sealedSeries(ctx, s.api, sealedQuery{p: p, point: q.Point, quantity: q.Quantity, from: from, to: min(to, from+sealedWindow)}, series)
		if err != nil {
			return left, fmt.Errorf("read %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
		}
		for _, m := range found {
			if err := f(m); err != nil {
				return left, err
			}
			if left--; left == 0 {
				return 0, nil
			}
		}
	}
	return left, nil
}

// sealedWindow is how much is unpacked at once, in µs: bit over a year.
const sealedWindow = int64(400 * 24 * time.Hour / time.Microsecond)

// firstSealed moves from on to where sealed and late readings of a point begin.
func (s *Store) firstSealed(ctx context.Context, p *Registered, point string, from int64) (int64, error) {
	var first *time.Time
	err := s.api.QueryRow(ctx, `SELECT least((SELECT min(from_at) FROM sealed_block WHERE property_id = $1 AND point = $2),
		(SELECT min(at) FROM late_reading WHERE property_id = $1))`, p.Num, point).Scan(&first)
	if err != nil {
		return 0, err
	}
	if first == nil {
		return storableTo, nil
	}
	return max(from, pgMicros(*first)), nil
}

// eachRaw reads raw rows; left is how many are wanted, 0 for all.
func (s *Store) eachRaw(ctx context.Context, p *Registered, series int16, q ReadingQuery, left int, f func(Sample) error) (err error) {
	var page []Sample
	for {
		size := readingPage
		if q.Limit > 0 {
			size = min(size, left)
		}
		if page, err = s.readPage(ctx, page[:0], p, series, q, size); err != nil {
			return fmt.Errorf("read %s/%s of %s: %w", q.Point, q.Quantity, q.Property, err)
		}
		for _, m := range page {
			if err := f(m); err != nil {
				return err
			}
		}
		left -= len(page)
		if len(page) < size || q.Limit > 0 && left == 0 {
			return nil
		}
		q.After = page[len(page)-1].At
	}
}

const readPageSQL = `SELECT at, value, received_at, at_receipt FROM readings
	WHERE property_id = $1 AND series_id = $2 AND at >= $3 AND at < $4 AND at > $5 ORDER BY at LIMIT $6`

// readPage takes values as they come in binary: a year of one point is 105,000
// rows, and scanning each value through its codec takes longer than the query.
func (s *Store) readPage(ctx context.Context, page []Sample, p *Registered, series int16, q ReadingQuery, size int) ([]Sample, error) {
	args := append(readingArgs(p, series, q), binary.BigEndian.AppendUint64(nil, uint64(size)))
	err := withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		res := tx.Conn().PgConn().ExecParams(ctx, readPageSQL, args, readingOIDs, allBinary, allBinary)
		for res.NextRow() {
			page = append(page, sampleOf(res.Values()))
		}
		_, err := res.Close()
		return err
	})
	return page, err
}

// Readings collects what EachReading would call f with.
func (s *Store) Readings(ctx context.Context, q ReadingQuery) ([]Sample, error) {
	var out []Sample
	err := s.EachReading(ctx, q, func(m Sample) error {
		out = append(out, m)
		return nil
	})
	return out, err
}

func (s *Store) findSeries(ctx context.Context, property, point string, q site.Quantity) (*Registered, int16, error) {
	p, ok := s.Registered(ctx, property)
	if !ok {
		return nil, 0, notFound("property %s", property)
	}
	for i, series := range p.series {
		if series.Point == point && series.Quantity == q {
			return p, int16(i), nil
		}
	}
	return nil, 0, notFound("%s at point %s of %s", q, point, property)
}

var readingOIDs = []uint32{oidInt4, oidInt2, oidTimestamptz, oidTimestamptz, oidTimestamptz, oidInt8}

func readingArgs(p *Registered, series int16, q ReadingQuery) [][]byte {
	be := binary.BigEndian
	micros := func(t time.Time, open int64) []byte {
		if !t.IsZero() {
			open = min(max(pgMicros(t), storableFrom), storableTo)
		}
		return be.AppendUint64(nil, uint64(open))
	}
	return [][]byte{
		be.AppendUint32(nil, uint32(p.Num)), be.AppendUint16(nil, uint16(series)),
		micros(q.From, storableFrom), micros(q.To, storableTo), micros(q.After, storableFrom-1),
	}
}

func sampleOf(v [][]byte) Sample {
	be := binary.BigEndian
	return Sample{
		At:        timeOfMicros(int64(be.Uint64(v[0]))),
		Value:     math.Float64frombits(be.Uint64(v[1])),
		Received:  timeOfMicros(int64(be.Uint64(v[2]))),
		AtReceipt: v[3] != nil,
	}
}

// LatestReadings are the newest readings of every described series of a
// property; none when it does not exist.
func (s *Store) LatestReadings(ctx context.Context, property string) ([]LatestReading, error) {
	reg, ok := s.Registered(ctx, property)
	if !ok {
		return nil, nil
	}
	out, err := s.latestReadings(ctx, reg)
	if err != nil {
		return nil, fmt.Errorf("latest readings of %s: %w", property, err)
	}
	return out, nil
}
