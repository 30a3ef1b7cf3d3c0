package store

import (
	"context"
	"errors"
	"fmt"
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
	for _, w := range outlook.Wanted(desc) {
		q := ReadingQuery{Property: id, Point: w.Point, Quantity: w.Quantity, From: now.Add(-outlook.Back), To: now.Add(time.Microsecond)}
		err := s.EachReading(ctx, q, func(m Sample) error {
			in.Series[w] = append(in.Series[w], outlook.Sample{At: m.At, Value: m.Value})
			return nil
		})
		if err != nil && !errors.Is(err, ErrNotFound) { // a new description whose series is not numbered yet
			return outlook.Input{}, fmt.Errorf("outlook of %s: %w", id, err)
		}
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
