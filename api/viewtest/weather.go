package viewtest

import (
	"cmp"
	"context"
	"time"

	"underkeep/api/view"
)

// Weather implements view.WeatherSource: an invented station stands for heron-07,
// which has a gauge, and one that does not answer for osprey-11, which has none.
func (f *Fleet) Weather(ctx context.Context, scope view.Scope, property string) (view.Weather, error) {
	_, err := f.Property(ctx, scope, property)
	if err = cmp.Or(f.Down, err); err != nil {
		return view.Weather{}, err
	}
	station := view.WeatherStation{ID: "KXSB", Name: "Skerry Bank Airfield", Lat: 34.27, Lon: -77.9, DistanceM: 7231, Used: true,
		NewestAt: Now.Add(-7 * time.Minute), NewestRainAt: Now.Add(-7 * time.Minute), Gap: time.Hour,
		WeatherAnswer: view.WeatherAnswer{AnsweredAt: Now.Add(-5 * time.Minute)}}
	switch property {
	case "heron-07":
		mm := 12.7
		return view.Weather{HasGauge: true, Looked: true, Stations: []view.WeatherStation{station}, Grid: "XSB/85,62", UpdatedAt: Now.Add(-time.Hour),
			Forecast: view.WeatherAnswer{AnsweredAt: Now.Add(-30 * time.Minute)}, RainMM: &mm}, nil
	case "osprey-11":
		station.Gap, station.NewestAt, station.NewestRainAt = 24*time.Hour, Now.Add(-31*time.Hour), Now.Add(-31*time.Hour)
		station.WeatherAnswer = view.WeatherAnswer{AnsweredAt: Now.Add(-30 * time.Hour), FailedAt: Now.Add(-10 * time.Minute), Failure: "status 503"}
		return view.Weather{Looked: true, Stations: []view.WeatherStation{station}}, nil
	}
	return view.Weather{HasGauge: property == "tern-12"}, nil
}
