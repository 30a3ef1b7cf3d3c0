package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/outlook"
	"underkeep/alerting/water"
)

// OutlookInput loads what the outlook of a property is figured from: its
// present description and the readings of the last eight days. ErrNotFound when
// the property does not exist or is out of scope. The forecast is the one for its location, where one is stored.
func (s *Store) OutlookInput(ctx context.Context, scope Scope, id string, now time.Time) (outlook.Input, error) {
	reg, ok := s.Registered(ctx, id)
	if !ok || !scope.Sees(id) {
		return outlook.Input{}, notFound("property %s", id)
	}
	desc, err := reg.Current()
	if err != nil {
		return outlook.Input{}, err
	}
	in := outlook.Input{Property: desc, Now: now, Series: make(map[outlook.Series][]outlook.Sample)}
	if err := s.outlookReadings(ctx, reg, &in); err != nil {
		return outlook.Input{}, fmt.Errorf("outlook of %s: %w", id, err)
	}
	if in.Response, err = s.rainResponse(ctx, reg); err != nil {
		return outlook.Input{}, fmt.Errorf("outlook of %s: %w", id, err)
	}
	in.Forecast, err = s.forecastFor(ctx, reg.Num, now)
	if err != nil {
		return outlook.Input{}, fmt.Errorf("outlook of %s: %w", id, err)
	}
	return in, nil
}

// outlookReadings brings the readings of the last days, with one query where
// they are raw rows, as they are unless rows are dropped after days.
func (s *Store) outlookReadings(ctx context.Context, reg *Registered, in *outlook.Input) error {
	from, to := in.Now.Add(-outlook.Back), in.Now.Add(time.Microsecond)
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return err
	}
	wanted := map[int16]outlook.Series{}
	var numbers []int16
	for _, w := range outlook.Wanted(in.Property) {
		_, no, err := s.findSeries(ctx, reg.ID, w.Point, w.Quantity)
		if err != nil {
			continue // a new description whose series is not numbered yet
		}
		wanted[no], numbers = w, append(numbers, no)
	}
	if from.Before(timeOfMicros(rawFrom)) {
		return s.outlookSealed(ctx, reg, in, wanted, from, to)
	}
	rows, err := s.api.Query(ctx, `SELECT s.series_id, r.at, r.value FROM unnest($2::int2[]) s(series_id) CROSS JOIN LATERAL (
			SELECT at, value FROM readings WHERE property_id = $1 AND series_id = s.series_id AND at >= $3 AND at < $4 ORDER BY at) r`, reg.Num, numbers, from, to)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		v := rows.RawValues() // thousands of rows, which need no codec each
		w := wanted[int16(binary.BigEndian.Uint16(v[0]))]
		in.Series[w] = append(in.Series[w], outlook.Sample{At: timeOfMicros(int64(binary.BigEndian.Uint64(v[1]))), Value: math.Float64frombits(binary.BigEndian.Uint64(v[2]))})
	}
	return rows.Err()
}

// outlookSealed does the same where some of the days are sealed ones only.
func (s *Store) outlookSealed(ctx context.Context, reg *Registered, in *outlook.Input, wanted map[int16]outlook.Series, from, to time.Time) error {
	for _, w := range wanted {
		q := ReadingQuery{Property: reg.ID, Point: w.Point, Quantity: w.Quantity, From: from, To: to}
		err := s.EachReading(ctx, q, func(m Sample) error {
			in.Series[w] = append(in.Series[w], outlook.Sample{At: m.At, Value: m.Value})
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// rainResponse is what the evaluator has learned of a property's rain; nil where
// there is no pump, or nothing was evaluated yet.
func (s *Store) rainResponse(ctx context.Context, reg *Registered) (*water.Response, error) {
	var state []byte
	err := s.api.QueryRow(ctx, `SELECT state FROM evaluation WHERE property_id = $1`, reg.Num).Scan(&state)
	if isNoRows(err) || err == nil && state == nil {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	desc, err := describe(reg)
	if err != nil {
		return nil, err
	}
	var out *water.Response
	err = guarded(reg.ID, func() {
		ev := alerting.New(desc)
		if ev.Restore(state) != nil {
			return // written by another release; the next evaluation begins anew
		}
		if r, ok := ev.RainResponse(); ok {
			out = &r
		}
	})
	return out, err
}
