package air

import (
	"math"
	"testing"
)

// celsius of an airport's °F.
func celsius(f float64) float64 { return (f - 32) / 1.8 }

// airportHour is one hour of one airport with its computed dew point.
type airportHour struct {
	tempC, rhPct, dewC float64
	offK               float64 // computed minus reported dew point
	rain               bool
}

// airportYear reads the hours of the year that have all three columns.
func airportYear(t testing.TB) map[string][]airportHour {
	t.Helper()
	hours := map[string][]airportHour{}
	for _, r := range published(t, "nyc2013_temp_dewp_rh.csv.gz", 26115) {
		if r["temp"] == "" || r["dewp"] == "" || r["humid"] == "" {
			continue
		}
		h := airportHour{tempC: celsius(r.num(t, "temp")), dewC: celsius(r.num(t, "dewp")), rhPct: r.num(t, "humid")}
		h.rain = r["precip"] != "" && r.num(t, "precip") > 0
		h.offK = must(t)(DewPointC(h.tempC, h.rhPct)) - h.dewC
		hours[r["origin"]] = append(hours[r["origin"]], h)
	}
	return hours
}

// share counts the hours more than 0.5 K off among those that keep says.
func share(hours []airportHour, keep func(airportHour) bool) float64 {
	var off, all float64
	for _, h := range hours {
		if keep(h) {
			all++
			if math.Abs(h.offK) > 0.5 {
				off++
			}
		}
	}
	return off / all
}

// Source: hourly observations of the airports EWR, JFK and LGA, 2013 (NOAA/ASOS
// through the Iowa Environmental Mesonet, R package nycflights13, CC0). Their RH
// is itself computed from the dew point, so this tests the pair of formulas, in
// all weathers and below freezing, and not a hygrometer.
//
// A mean absolute error of at most 0.05 K is asked for, at each airport.
//
// The outliers: every column is the maximum of its hour taken separately. The
// warmest and the dampest minute of an hour with several reports are not the same
// minute, so their dew point lies above any that occurred: an outlier can only be
// too high. Several reports an hour are what a station sends when the weather
// changes, so outliers crowd into hours with rain. Hours with one report leave
// nothing but rounding (RH to 0.01 %, and the service's own formula): 0.02 K.
func TestAirportYear(t *testing.T) {
	t.Parallel()
	var all []airportHour
	for origin, hours := range airportYear(t) {
		var sum, lowest float64
		for _, h := range hours {
			sum += math.Abs(h.offK)
			lowest = math.Min(lowest, h.offK)
		}
		mean := sum / float64(len(hours))
		t.Logf("%s: %d hours, mean absolute error %.4f K, lowest %.4f K", origin, len(hours), mean, lowest)
		if !(mean <= 0.05) {
			t.Errorf("%s: mean absolute error %.4f K", origin, mean)
		}
		if lowest < -0.05 {
			t.Errorf("%s: a dew point %.4f K too low, which maxima taken separately cannot explain", origin, lowest)
		}
		all = append(all, hours...)
	}
	off := share(all, func(airportHour) bool { return true })
	wet := share(all, func(h airportHour) bool { return h.rain })
	dry := share(all, func(h airportHour) bool { return !h.rain })
	t.Logf("more than 0.5 K off: %.2f %% of hours, %.2f %% with rain, %.2f %% without", 100*off, 100*wet, 100*dry)
	if off > 0.025 || wet < 5*dry {
		t.Errorf("outliers %.4f of all hours, %.4f with rain, %.4f without: the explanation does not hold", off, wet, dry)
	}
}

// The same hours below freezing show which RH the observers report: over water
// the dew point is theirs, over ice it would be off by tenths of a kelvin.
func TestAirportReportsRHOverWater(t *testing.T) {
	t.Parallel()
	var overWater, overIce, n float64
	for _, hours := range airportYear(t) {
		for _, h := range hours {
			if h.tempC > -1 || math.Abs(h.offK) > 0.5 {
				continue
			}
			ice := must(t)(SaturationVapourPressureOverIcePa(h.tempC))
			frost := must(t)(FrostPointFromVapourPressureC(h.rhPct / 100 * ice))
			overWater += math.Abs(h.offK)
			overIce += math.Abs(frost - h.dewC)
			n++
		}
	}
	t.Logf("%.0f hours below -1 °C: %.4f K over water, %.4f K over ice", n, overWater/n, overIce/n)
	if n < 1000 || overWater/n > 0.02 || overIce/n < 10*overWater/n {
		t.Errorf("%.0f hours: %.4f K over water, %.4f K over ice", n, overWater/n, overIce/n)
	}
}
