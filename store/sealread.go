package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"underkeep/alerting"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

// Readings before a time that is the same for all properties, raw_from, are read
// from sealed days and from late readings that no amendment has yet; from then
// on they are read from raw rows. raw_from is moved first and raw rows are
// dropped some time later, so that whoever has just read the old one still finds
// everything.

const (
	// rawFromAge is how long raw_from may be remembered.
	rawFromAge = time.Minute
	// dropAfter is how long after raw_from was moved raw rows may be dropped;
	// well over rawFromAge and the longest statement.
	dropAfter = 10 * time.Minute
)

// rawRows remembers from when on there are raw rows.
type rawRows struct {
	mu   sync.Mutex
	from int64     // µs of Postgres
	read time.Time // zero: never
}

// rawFrom is the time from which on raw rows are read, in µs of Postgres;
// storableFrom or less while nothing was ever dropped.
func (s *Store) rawFrom(ctx context.Context) (int64, error) {
	r := &s.rawRows
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.read.IsZero() && time.Since(r.read) < rawFromAge {
		return r.from, nil
	}
	began := time.Now()
	var from *time.Time
	err := s.evaluation.QueryRow(ctx, `SELECT nullif(raw_from, '-infinity') FROM seal_state`).Scan(&from)
	if err != nil {
		return 0, fmt.Errorf("ask from when on there are raw rows: %w", err)
	}
	r.from, r.read = storableFrom, began
	if from != nil {
		r.from = pgMicros(*from)
	}
	return r.from, nil
}

func (r *rawRows) forget() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.read = time.Time{}
}

// sealedQuery asks for sealed and late readings of a property, in µs of
// Postgres, from inclusive, to exclusive.
type sealedQuery struct {
	p        *Registered
	point    string // "" all
	quantity site.Quantity
	from, to int64
}

// eachBlock calls f for the blocks that may have something, by start of their
// day. Staged blocks may be among them; what is in them is also a late reading.
func eachBlock(ctx context.Context, q queryer, sq sealedQuery, f func(gateway int16, point string, from time.Time, data []byte) error) error {
	// A day is at most 26 h long.
	rows, err := q.Query(ctx, `SELECT gateway_id, point, from_at, data FROM sealed_block
		WHERE property_id = $1 AND ($2 = '' OR point = $2) AND from_at > $3 AND from_at < $4 ORDER BY from_at, amendment, point, gateway_id`,
		sq.p.Num, sq.point, timeOfMicros(sq.from-26*3600*1e6), timeOfMicros(sq.to))
	if err != nil {
		return fmt.Errorf("read sealed days: %w", err)
	}
	var gateway int16
	var point string
	var from time.Time
	var data pgtype.DriverBytes // read in place
	_, err = pgx.ForEachRow(rows, []any{&gateway, &point, &from, &data}, func() error { return f(gateway, point, from, data) })
	if err != nil {
		return fmt.Errorf("read sealed days: %w", err)
	}
	return nil
}

// sealedSeries is one series of sq, in the order of time.
func sealedSeries(ctx context.Context, q queryer, sq sealedQuery, series int16) ([]Sample, error) {
	var out []Sample
	sorted := true
	err := eachBlock(ctx, q, sq, func(_ int16, _ string, from time.Time, data []byte) error {
		b, err := evidence.UnpackQuantity(data, pgMicros(from), sq.quantity)
		if err != nil || b == nil {
			return err
		}
		out = slices.Grow(out, len(b.At))
		for row, at := range b.At {
			v := b.Values[0][row]
			if math.IsNaN(v) || at < sq.from || at >= sq.to {
				continue
			}
			m := Sample{At: timeOfMicros(at), Value: v, Received: timeOfMicros(b.Received[row]), AtReceipt: b.AtReceipt != nil && b.AtReceipt[row]}
			sorted = sorted && (len(out) == 0 || out[len(out)-1].At.Before(m.At))
			out = append(out, m)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	n := len(out)
	rows, err := q.Query(ctx, `SELECT at, value, received_at, coalesce(at_receipt, false) FROM late_reading
		WHERE property_id = $1 AND series_id = $2 AND at >= $3 AND at < $4 ORDER BY at`, sq.p.Num, series, timeOfMicros(sq.from), timeOfMicros(sq.to))
	if err != nil {
		return nil, fmt.Errorf("read late readings: %w", err)
	}
	var m Sample
	if _, err := pgx.ForEachRow(rows, []any{&m.At, &m.Value, &m.Received, &m.AtReceipt}, func() error {
		m.At, m.Received = m.At.UTC(), m.Received.UTC()
		out = append(out, m)
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read late readings: %w", err)
	}
	if !sorted || len(out) > n {
		slices.SortStableFunc(out, func(a, b Sample) int { return a.At.Compare(b.At) })
		out = slices.CompactFunc(out, func(a, b Sample) bool { return a.At.Equal(b.At) })
	}
	return out, nil
}

// sealedReadings are the readings of all series of sq with their numbers, in no
// order, each once; times in Unix µs.
func sealedReadings(ctx context.Context, q queryer, sq sealedQuery) ([]rawReading, error) {
	var out []rawReading
	seen := map[seriesAt]bool{} // of amendments and late ones: few
	add := func(r rawReading, certain bool) {
		if k := (seriesAt{r.series, r.at}); !certain {
			if seen[k] {
				return
			}
			seen[k] = true
		}
		out = append(out, r)
	}
	lo, hi := sq.from+pgEpochMicros, sq.to+pgEpochMicros
	err := eachBlock(ctx, q, sq, func(gateway int16, point string, from time.Time, data []byte) error {
		b, err := evidence.UnpackBlock(data, from.UnixMicro())
		if err != nil {
			return err
		}
		for i, quantity := range b.Quantities {
			series, ok := sq.p.seriesByNumber(point, quantity)
			if !ok {
				return fmt.Errorf("a sealed day has %s at %s, which is not registered", quantity, point)
			}
			for row, v := range b.Values[i] {
				if at := b.At[row]; !math.IsNaN(v) && at >= lo && at < hi {
					add(rawReading{series: series, gateway: gateway, at: at, received: b.Received[row], value: v,
						mark: b.AtReceipt != nil && b.AtReceipt[row]}, true)
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	late, err := lateReadings(ctx, q, sq)
	if err != nil || len(late) == 0 {
		return out, err
	}
	for i := range out {
		seen[seriesAt{out[i].series, out[i].at}] = true
	}
	for _, r := range late {
		add(r, false)
	}
	return out, nil
}

func lateReadings(ctx context.Context, q queryer, sq sealedQuery) ([]rawReading, error) {
	rows, err := q.Query(ctx, `SELECT series_id, gateway_id, at, value, received_at, coalesce(at_receipt, false) FROM late_reading
		WHERE property_id = $1 AND at >= $2 AND at < $3`, sq.p.Num, timeOfMicros(sq.from), timeOfMicros(sq.to))
	if err != nil {
		return nil, fmt.Errorf("read late readings: %w", err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r rawReading, err error) {
		var at, received time.Time
		err = row.Scan(&r.series, &r.gateway, &at, &r.value, &received, &r.mark)
		r.at, r.received = at.UnixMicro(), received.UnixMicro()
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("read late readings: %w", err)
	}
	return out, nil
}

// seriesByNumber finds the number of a series, former ones too.
func (p *Registered) seriesByNumber(point string, q site.Quantity) (int16, bool) {
	if id, ok := p.seriesByKey[seriesKey{point, q}]; ok {
		return id, true
	}
	for i, s := range p.series {
		if s.Point == point && s.Quantity == q {
			return int16(i), true
		}
	}
	return 0, false
}

// loadHave notes what is sealed of the days to amend.
func loadHave(ctx context.Context, tx pgx.Tx, j *sealJob) error {
	if !j.amends {
		return nil
	}
	for _, d := range j.days {
		d.have = map[seriesAt]bool{}
	}
	from, to := pgMicros(j.days[0].from), pgMicros(j.days[len(j.days)-1].to)
	at := 0
	return eachBlock(ctx, tx, sealedQuery{p: j.reg, from: from, to: to}, func(_ int16, point string, start time.Time, data []byte) error {
		b, err := evidence.UnpackBlock(data, start.UnixMicro())
		if err != nil {
			return err
		}
		if at = j.dayOf(b.At[0], max(at, 0)); at < 0 {
			return nil
		}
		for i, quantity := range b.Quantities {
			series, _ := j.reg.seriesByNumber(point, quantity)
			for row, v := range b.Values[i] {
				if !math.IsNaN(v) {
					j.days[at].have[seriesAt{series, b.At[row]}] = true
				}
			}
		}
		return nil
	})
}

// discardLate deletes late readings that are in a sealed day by now.
func (s *Store) discardLate(ctx context.Context) error {
	return withTx(ctx, s.sealing, pgx.TxOptions{}, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `SELECT property_id, min(at), max(at) FROM late_reading GROUP BY property_id`)
		if err != nil {
			return fmt.Errorf("late readings: %w", err)
		}
		type span struct {
			num         int32
			first, last time.Time
		}
		spans, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (p span, err error) {
			err = r.Scan(&p.num, &p.first, &p.last)
			return p, err
		})
		if err != nil {
			return fmt.Errorf("late readings: %w", err)
		}
		reg := s.Registry()
		for _, p := range spans {
			if reg.byID[p.num] == nil {
				continue
			}
			if err := discardLateOf(ctx, tx, reg.byID[p.num], pgMicros(p.first), pgMicros(p.last)+1); err != nil {
				return fmt.Errorf("late readings of %s: %w", reg.byID[p.num].ID, err)
			}
		}
		return nil
	})
}

func discardLateOf(ctx context.Context, tx pgx.Tx, p *Registered, from, to int64) error {
	late, err := lateReadings(ctx, tx, sealedQuery{p: p, from: from, to: to})
	if err != nil {
		return err
	}
	wanted := map[seriesAt]bool{}
	for _, r := range late {
		wanted[seriesAt{r.series, r.at}] = true
	}
	var series []int16
	var ats []time.Time
	err = eachBlock(ctx, tx, sealedQuery{p: p, from: from, to: to}, func(_ int16, point string, start time.Time, data []byte) error {
		b, err := evidence.UnpackBlock(data, start.UnixMicro())
		if err != nil {
			return err
		}
		for i, quantity := range b.Quantities {
			id, _ := p.seriesByNumber(point, quantity)
			for row, v := range b.Values[i] {
				if !math.IsNaN(v) && wanted[seriesAt{id, b.At[row]}] {
					series, ats = append(series, id), append(ats, time.UnixMicro(b.At[row]).UTC())
				}
			}
		}
		return nil
	})
	if err != nil || len(series) == 0 {
		return err
	}
	_, err = tx.Exec(ctx, `DELETE FROM late_reading l USING unnest($2::int2[], $3::timestamptz[]) u(s, t)
		WHERE l.property_id = $1 AND l.series_id = u.s AND l.at = u.t`, p.Num, series, ats)
	return err
}

// addSealed brings an evaluator what it has to go through again of a time whose
// raw rows may be gone.
func (r *round) addSealed(ctx context.Context, tx pgx.Tx, j *job) error {
	from := max(j.from-pgEpochMicros, storableFrom)
	if from >= r.rawFrom {
		return nil
	}
	found, err := sealedReadings(ctx, tx, sealedQuery{p: j.reg, from: from, to: r.rawFrom})
	if err != nil {
		return fmt.Errorf("sealed readings of %s: %w", j.reg.ID, err)
	}
	for _, f := range found {
		j.input.Readings = append(j.input.Readings, alerting.Reading{Series: uint16(f.series), Gateway: j.reg.speaker(f.gateway),
			At: f.at, Value: f.value, Received: f.received})
	}
	return nil
}

// sortReceived puts readings in the order in which they came.
func sortReceived(readings []rawReading) {
	slices.SortFunc(readings, func(a, b rawReading) int {
		return cmp.Or(cmp.Compare(a.received, b.received), cmp.Compare(a.gateway, b.gateway), cmp.Compare(a.at, b.at), cmp.Compare(a.series, b.series))
	})
}
