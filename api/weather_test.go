package api

import (
	"math"
	"testing"
)

func TestWeather(t *testing.T) {
	t.Parallel()
	g := newRig(t)
	var si, us, bad, none weatherOut
	g.into(asManager("/v1/properties/heron-07/weather"), &si)
	g.into(asManager("/v1/properties/heron-07/weather?units=us"), &us)
	g.into(asManager("/v1/properties/osprey-11/weather"), &bad)
	g.into(asManager("/v1/properties/gull-03/weather"), &none)
	if si.RainFrom != "gauge" || *si.Rain != 12.7 || math.Abs(*us.Rain-0.5) > 1e-9 || us.DepthUnit != "in" || len(si.Stations) != 1 || *si.Stations[0].DistanceKm != 7.231 || *si.Forecast.Cell != "XSB/85,62" {
		t.Errorf("%+v", si)
	}
	if st := bad.Stations[0]; bad.RainFrom != "weather-station" || st.Failure != "status 503" || *st.GapHours != 24 || bad.Rain != nil || st.FailedAt == nil {
		t.Errorf("%+v", bad)
	}
	if none.RainFrom != "unknown" || len(none.Stations) != 0 || none.Looked {
		t.Errorf("%+v", none)
	}
}
