package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"underkeep/alerting/outlook"
)

// OutlookInput loads what the outlook of a property is figured from: its
// present description and the readings of the last eight days. ErrNotFound when
// the property does not exist or is out of scope. The forecast is the one for its location, where one is stored.
func (s *Store) OutlookInput(ctx context.Context, scope Scope, id string, now time.Time) (outlook.Input, error) {
	reg, ok := s.Registry().Property(id)
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
	in.Forecast, err = s.forecastFor(ctx, reg.Num, now)
	if err != nil {
		return outlook.Input{}, fmt.Errorf("outlook of %s: %w", id, err)
	}
	return in, nil
}
