package api

import (
	"context"

	"underkeep/api/view"
)

// Weather implements view.WeatherSource.
func (s *storeSource) Weather(ctx context.Context, scope view.Scope, property string) (view.Weather, error) {
	w, err := s.store.WeatherStatus(ctx, storeScope(scope), property, s.now())
	if err != nil {
		return view.Weather{}, told(err)
	}
	out := view.Weather{HasGauge: w.HasGauge, Looked: w.Looked, LookError: w.LookError, Grid: w.Grid, UpdatedAt: w.UpdatedAt,
		Forecast: view.WeatherAnswer(w.Forecast), RainMM: w.RainMM}
	for _, st := range w.Stations {
		out.Stations = append(out.Stations, view.WeatherStation{ID: st.Station, Name: st.Name, Lat: st.Lat, Lon: st.Lon, DistanceM: st.DistanceM,
			Used: st.Used, Named: st.Named, NewestAt: st.NewestAt, NewestRainAt: st.NewestRain, Gap: st.Gap, WeatherAnswer: view.WeatherAnswer(st.WeatherAnswer)})
	}
	return out, nil
}
