package outlook

import (
	"cmp"
	"math"
	"time"

	"underkeep/alerting/water"
	"underkeep/store/site"
)

// Rain is the present storm at a property and what this site's own response to rain
// makes of it, and the rain that is forecast.
type Rain struct {
	From   string // "gauge", "weather-station", or "" where nobody tells of rain
	Point  string // of the gauge
	Storm  *water.Storm
	DryGap float64 // h without rain that end a storm
	// Of the pump, where its response is known.
	Pumped         bool
	ExpectedCycles float64 // that the storm's rain should have brought by now
	Cycles         int     // that it brought
	SilenceChance  float64 // that a working pump would have been silent since its last cycle
	Learned        water.Learned
	Design         *DesignStorm // nil: no pump, or its response is not known
	AntecedentMm   float64      // earlier rain when the storm began, fading by half in 3 days
	Ahead          *RainAhead
	AheadReason    string // why Ahead is nil
}

// RainAhead is what a forecast expects of the next 24 h. It raises no alarm.
type RainAhead struct {
	Source        string
	From, To      time.Time // first and last hour with rain; zero: none
	DepthMm       float64
	PeakMmPerHour float64 // wettest hour
	// With the site's response: cycles within two days of its begin, the most in one
	// hour, and the share of the pump's flow that this leaves. The range is half and
	// double the inflow (common practice, no source: a day's rain is forecast no
	// better).
	Cycles, MostPerHour float64
	Margin              *Range
}

// Class of the wettest hour.
func (a RainAhead) Class() water.Intensity { return water.IntensityOf(a.PeakMmPerHour) }

// aheadHours is how far the rain ahead looks.
const aheadHours = 24

func rainOf(in Input, p Pump) Rain {
	r := Rain{DryGap: cmp.Or(in.Property.StormGap.Hours(), water.DefaultDryHours), Storm: p.Storm, From: p.RainFrom, Point: p.RainPoint}
	if p.Storm != nil {
		r.AntecedentMm = p.Storm.AntecedentMm
	}
	now := in.Now.UnixMicro()
	if in.Response != nil {
		l := in.Response.Learned(now)
		r.Pumped, r.Learned = true, l
		r.Design = designOf(in, p)
		r.SilenceChance = in.Response.SilenceProbability(now)
		if p.Storm != nil {
			r.ExpectedCycles, r.Cycles = l.StormExpected, l.StormCycles
		}
	}
	r.ahead(in, p)
	return r
}

func (r *Rain) ahead(in Input, p Pump) {
	if in.Forecast == nil {
		r.AheadReason = noForecast
		return
	}
	a := RainAhead{Source: in.Forecast.Source}
	known, end := 0, in.Now.Add(aheadHours*time.Hour)
	for _, h := range in.Forecast.Hours {
		if !h.At.Add(time.Hour).After(in.Now) || !h.At.Before(end) || math.IsNaN(h.RainMM) {
			continue
		}
		known++
		if h.RainMM <= 0 {
			continue
		}
		if a.From.IsZero() {
			a.From = h.At
		}
		a.To = h.At.Add(time.Hour)
		a.DepthMm += h.RainMM
		a.PeakMmPerHour = math.Max(a.PeakMmPerHour, h.RainMM)
	}
	if known < aheadHours*3/4 {
		r.AheadReason = "the forecast says nothing of rain for most of the next 24 h"
		return
	}
	a.pump(in, p)
	r.Ahead = &a
}

// pump asks the site's response what the rain would bring, and holds it against
// what the pump moves.
func (a *RainAhead) pump(in Input, p Pump) {
	if in.Response == nil || a.From.IsZero() {
		return
	}
	hours := math.Max(a.To.Sub(a.From).Hours(), 1)
	a.Cycles, a.MostPerHour = in.Response.ExpectedOf(in.Now.UnixMicro(), a.DepthMm, hours)
	a.Margin = p.marginAt(a.MostPerHour)
}

// marginAt is the share of the pump's flow that an inflow of so many cycles an hour
// leaves, from double to half of it; nil where the pump's flow is not known.
func (p *Pump) marginAt(cyclesPerHour float64) *Range {
	if p.CapacityLps <= 0 || p.StorageL <= 0 {
		return nil
	}
	share := cyclesPerHour * p.StorageL / 3600 / p.CapacityLps
	return &Range{1 - share, 1 - 2*share, 1 - share/2}
}

// DesignStorm is what the rain that the pump has to cope with would ask of it on the
// ground as wet as it is now, by the site's own response. The depth falls evenly over the
// time. The range of the margin is that of RainAhead.
type DesignStorm struct {
	FromFile            bool // else the default
	DepthMm, Hours      float64
	Cycles, MostPerHour float64
	Margin              *Range // nil: the pump's flow is not known
}

// The design storm of a property whose file gives none: some 4 in within a day, which the
// eastern United States see once in two to five years (NOAA Atlas 14; from memory, and
// twice that in ten years on its southern coasts). The atlas has the figure of each place.
const defaultDesignMm, defaultDesignHours = 100, 24

func designOf(in Input, p Pump) *DesignStorm {
	d := DesignStorm{DepthMm: defaultDesignMm, Hours: defaultDesignHours}
	if s := in.Property.Sump; s != nil && s.DesignStorm != nil {
		d.FromFile, d.DepthMm, d.Hours = true, s.DesignStorm.DepthMm, s.DesignStorm.Duration.Hours()
	}
	d.Cycles, d.MostPerHour = in.Response.ExpectedOf(in.Now.UnixMicro(), d.DepthMm, d.Hours)
	d.Margin = p.marginAt(d.MostPerHour)
	return &d
}

// rainSeries finds who tells of rain: the gauge, or without one the station.
func rainSeries(in Input) (samples []Sample, from, point string) {
	for _, pt := range in.Property.Points {
		if pt.Has(site.Rain) {
			return in.Series[Series{pt.ID, site.Rain}], "gauge", pt.ID
		}
	}
	return in.Series[Series{site.StationPoint, site.Rain}], "weather-station", ""
}
