// Package outlook says what is coming at one property: when a limit is reached
// at the present trend, what the pump has to spare in the present storm, and
// whether surfaces may come near the dew point in the coming night. It reports
// and never raises anything: every figure has its unit in its name, what it was
// figured from, and a range; where the readings do not support a figure the
// answer is a reason instead.
//
// The package is pure: readings and the time come from the caller.
package outlook

import (
	"math"
	"slices"
	"time"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// Back is how far back readings are used.
const Back = 8 * 24 * time.Hour

// Sample is one reading of one series, in the quantity's stored unit.
type Sample struct {
	At    time.Time
	Value float64
}

// Series names one quantity at one point.
type Series struct {
	Point    string
	Quantity site.Quantity
}

// Input is all that an outlook is figured from.
type Input struct {
	Property site.Property
	Now      time.Time
	Series   map[Series][]Sample // by rising time, from Now - Back to Now
	Forecast *Forecast           // nil: there is none
	Response *water.Response     // the site's own response to rain, as learned so far; nil: not known
}

// Outlook of one property.
type Outlook struct {
	At           time.Time
	Trends       []PointTrend
	Pump         Pump
	Rain         Rain
	Condensation Condensation
}

// PointTrend is the trend of one series towards one limit.
type PointTrend struct {
	Condition site.Condition
	Series
	Trend
	// Parts of a humidity trend, nil where the temperature beside it does not
	// support the split.
	Parts *Parts
}

// watched are the limits that a trend is held against. Wood is held against its
// lowest level, the one that is met first.
var watched = []struct {
	quantity  site.Quantity
	condition site.Condition
	param     string
	rising    bool
}{
	{site.RH, site.HumidityHigh, "above", true},
	{site.AirTemp, site.FreezeRisk, "below", false},
	{site.WoodMoisture, site.WoodWet, "low", true},
}

// Wanted lists the series that Compute uses.
func Wanted(p site.Property) []Series {
	var out []Series
	for _, pt := range p.Points {
		for _, q := range pt.Measures {
			switch q {
			case site.RH, site.AirTemp, site.SurfaceTemp, site.WoodMoisture, site.PumpRun, site.PumpOn, site.Rain:
				out = append(out, Series{pt.ID, q})
			}
		}
	}
	for _, q := range []site.Quantity{site.Rain, site.AirTemp, site.RH} {
		out = append(out, Series{site.StationPoint, q})
	}
	return out
}

// Compute figures the outlook.
func Compute(in Input) Outlook {
	out := Outlook{At: in.Now, Pump: pumpOf(in), Condensation: CondensationTonight(in)}
	if out.Pump.RainFrom == "" { // the storm is told of where there is no pump, too
		out.Pump.storm(in)
	}
	out.Rain = rainOf(in, out.Pump)
	for _, pt := range in.Property.Points {
		for _, w := range watched {
			if !pt.Has(w.quantity) || pt.Outdoors || !in.Property.Limits.Enabled(w.condition) {
				continue
			}
			series := Series{pt.ID, w.quantity}
			limit := Limit{in.Property.Limits.Value(w.condition, w.param), w.rising}
			t := PointTrend{Condition: w.condition, Series: series, Trend: TrendTo(in.Series[series], limit, in.Now)}
			if w.quantity == site.RH {
				t.Parts = partsOf(in.Series[Series{pt.ID, site.AirTemp}], t.Trend, in.Now)
			}
			out.Trends = append(out.Trends, t)
		}
	}
	return out
}

// Range is a figure with its ends: a 90 % interval for trends and nights by
// forecast; the last cycles and what the storage may be off for the pump; the
// largest step between nights for nights carried on. The last two are spans of
// few values and no intervals of known confidence.
type Range struct{ Value, Low, High float64 }

func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Clone(values)
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
