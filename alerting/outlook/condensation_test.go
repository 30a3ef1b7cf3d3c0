package outlook

import (
	"math"
	"testing"
	"time"

	"underkeep/store/site"
)

func ductProperty(points ...site.Point) site.Property {
	return site.Property{Timezone: "UTC", Points: append([]site.Point{
		{ID: "bay", Measures: []site.Quantity{site.RH, site.AirTemp}, Sensor: exact()},
		{ID: "duct", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "duct", Air: "bay", Sensor: exact()},
	}, points...)}
}

// exact sensors, so that what is tested is all there is.
func exact() *site.Sensor {
	return &site.Sensor{Accuracy: map[site.Quantity]float64{site.RH: 0, site.AirTemp: 0, site.SurfaceTemp: 0}}
}

// Air at 20 °C and 50 %RH has its dew point at 9.3 °C (ASHRAE 2017 chapter 1
// table 3: half of 2,338.8 Pa is the saturation pressure at 9.27 °C).
const dewAt20and50 = 9.27

// nightly is a duct whose coldest margin falls by 0.5 K from night to night, at
// 03:00: 4.0, 3.5 and 3.0 K over the last three nights before testNow (12:00).
func nightly(h float64) float64 {
	hour := math.Mod(12+h+240, 24)
	night := math.Floor((h + 12 - 18) / 24) // the last night began at -18 h: -1
	if h+12 >= 18 {
		night = 0
	}
	cold := 3.0 + 0.5*(-1-night)
	if math.Abs(hour-3) < 0.75 {
		return dewAt20and50 + cold
	}
	return dewAt20and50 + cold + 4
}

func ductInput(surface func(h float64) float64) Input {
	return Input{Property: ductProperty(), Now: testNow, Series: map[Series][]Sample{
		{"bay", site.AirTemp}:      series(192, func(float64) float64 { return 20 }),
		{"bay", site.RH}:           series(192, func(float64) float64 { return 50 }),
		{"duct", site.SurfaceTemp}: series(192, surface),
	}}
}

func TestNightsAreCarriedOn(t *testing.T) {
	t.Parallel()
	c := CondensationTonight(ductInput(nightly))
	if len(c.Surfaces) != 1 || c.Reason != noForecast || c.Source != "" {
		t.Fatalf("%+v", c)
	}
	if want := testNow.Add(6 * time.Hour); !c.From.Equal(want) || !c.To.Equal(want.Add(15*time.Hour)) {
		t.Errorf("night from %s to %s", c.From, c.To)
	}
	s := c.Surfaces[0]
	if len(s.Nights) != 3 || s.ByForecast {
		t.Fatalf("%+v", s)
	}
	for i, want := range []float64{4, 3.5, 3} {
		near(t, "night", s.Nights[i].MarginK, want, 0.03)
	}
	near(t, "trend", s.TrendK, -0.5, 0.01)
	near(t, "tonight", s.MarginK.Value, 2.5, 0.03)
	near(t, "low", s.MarginK.Low, 2.0, 0.04)
	near(t, "high", s.MarginK.High, 3.0, 0.04)
}

func TestChances(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		low, high float64
		want      Chance
	}{{0.5, 1.9, Expected}, {1.9, 2.5, Possible}, {2, 3, NotExpected}, {2.1, 2.2, NotExpected}} {
		s := SurfaceNight{LimitK: 2, MarginK: Range{(c.low + c.high) / 2, c.low, c.high}}
		if s.judge(); s.Chance != c.want {
			t.Errorf("%g to %g: %s", c.low, c.high, s.Chance)
		}
	}
}

func TestTooFewNights(t *testing.T) {
	t.Parallel()
	in := ductInput(nightly)
	duct := Series{"duct", site.SurfaceTemp}
	in.Series[duct] = in.Series[duct][len(in.Series[duct])-6*50:] // two days
	s := CondensationTonight(in).Surfaces[0]
	if s.Chance != Unknown || s.Reason == "" {
		t.Errorf("%+v", s)
	}
	in.Property.Limits.Off = map[site.Condition]bool{site.CondensationRisk: true}
	if c := CondensationTonight(in); len(c.Surfaces) != 0 {
		t.Errorf("switched off: %+v", c)
	}
}

// A duct that takes half of every change outdoors while the air under the house
// stays as it is: yesterday at 03:00 it was 5 K above the dew point at 15 °C
// outdoors, so a forecast of 9 °C makes it 5 - 0.5·6 = 2 K. The forecast's 1 K
// counts half.
func TestForecastByResponse(t *testing.T) {
	t.Parallel()
	outdoor := func(h float64) float64 { // 15 °C at 03:00, warmer by day, another level every day
		if h > -24 {
			return 15 + 5*(1+math.Cos(2*math.Pi*(h+12-15)/24))
		}
		return 18 + 3*math.Sin(h/11) + 4*math.Cos(2*math.Pi*(h+12-15)/24)
	}
	in := ductInput(func(h float64) float64 { return dewAt20and50 + 5 + (outdoor(h)-15)/2 })
	in.Property.Points = append(in.Property.Points, site.Point{ID: "outdoors", Outdoors: true, Measures: []site.Quantity{site.RH, site.AirTemp}})
	in.Series[Series{"outdoors", site.AirTemp}] = series(192, outdoor)
	in.Series[Series{"outdoors", site.RH}] = series(192, func(float64) float64 { return 70 })
	three := testNow.Add(15 * time.Hour)
	in.Forecast = &Forecast{Source: "test", Hours: []ForecastHour{{At: three, TempC: 9, DewC: 8, UTempK: 1, UDewC90: 1}}}
	c := CondensationTonight(in)
	s := c.Surfaces[0]
	if !s.ByForecast || c.Source != "test" || c.Reason != "" {
		t.Fatalf("%+v", s)
	}
	near(t, "follows", s.SurfaceFollows, 0.5, 0.01)
	near(t, "air stays", s.DewFollows, 0, 0.01)
	near(t, "tonight", s.MarginK.Value, 2, 0.15)
	near(t, "half width", s.MarginK.High-s.MarginK.Value, 0.5, 0.15)
	if s.Chance != Possible {
		t.Errorf("%+v", s)
	}
	in.Forecast.Hours[0].At = testNow.Add(48 * time.Hour)
	if s = CondensationTonight(in).Surfaces[0]; s.ByForecast || s.Reason == "" {
		t.Errorf("a forecast of another night: %+v", s)
	}
}
