package notify

import (
	"context"
	"slices"
	"time"

	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// facts are what a property's readings say now, as far as messages cite it.
type facts struct {
	desc   site.Property
	latest []store.LatestReading
	rain   *float64 // mm in the last 24 h; nil: nobody measures it
	heard  time.Time
}

func (d *Deliverer) facts(ctx context.Context, property string, now time.Time) (facts, error) {
	reg, ok := d.Store.Registry().Property(property)
	if !ok {
		return facts{}, nil
	}
	desc, err := reg.Current()
	if err != nil {
		return facts{}, err
	}
	f := facts{desc: desc}
	if f.latest, err = d.Store.LatestReadings(ctx, property); err != nil {
		return facts{}, err
	}
	for _, r := range f.latest {
		if r.Received.After(f.heard) {
			f.heard = r.Received
		}
		if r.Quantity == site.Rain && f.rain == nil {
			if f.rain, err = d.rain(ctx, property, r.Point, now); err != nil {
				return facts{}, err
			}
		}
	}
	return f, nil
}

func (d *Deliverer) rain(ctx context.Context, property, point string, now time.Time) (*float64, error) {
	list, err := d.Store.Readings(ctx, store.ReadingQuery{Property: property, Point: point, Quantity: site.Rain, From: now.Add(-24 * time.Hour), To: now})
	var mm float64
	for _, s := range list {
		mm += s.Value
	}
	return &mm, err
}

// cites says which quantities a message about a condition cites, the one that
// the condition goes by first; here is at the alarm's own point.
type cites struct {
	here, there []site.Quantity
	rain, heard bool
	limit       string // the limit of the first figure; "" none
	dimension   units.Dimension
	below       bool
}

var citesOf = map[site.Condition]cites{
	site.HumidityHigh:       {here: []site.Quantity{site.RH, site.AirTemp}, there: []site.Quantity{site.DehumidifierPower}, limit: "above", dimension: units.RelHumidity},
	site.HumidityDrift:      {here: []site.Quantity{site.RH, site.AirTemp}, there: []site.Quantity{site.DehumidifierPower}},
	site.CondensationRisk:   {here: []site.Quantity{site.SurfaceTemp}, there: []site.Quantity{site.RH, site.AirTemp}},
	site.MoldRisk:           {here: []site.Quantity{site.RH, site.AirTemp}, there: []site.Quantity{site.WoodMoisture}},
	site.WoodWet:            {here: []site.Quantity{site.WoodMoisture, site.RH}, there: []site.Quantity{site.RH}},
	site.PumpShortCycling:   {there: []site.Quantity{site.PumpRun, site.WaterLevel}, rain: true},
	site.PumpSilentInRain:   {there: []site.Quantity{site.PumpRun, site.WaterLevel, site.HighWater, site.Mains}, rain: true},
	site.PumpRunOn:          {there: []site.Quantity{site.PumpRun, site.WaterLevel}, rain: true},
	site.PumpWeak:           {there: []site.Quantity{site.PumpRun}},
	site.WaterUnexplained:   {there: []site.Quantity{site.PumpRun}, rain: true},
	site.HighWaterAlarm:     {here: []site.Quantity{site.HighWater, site.WaterLevel}, there: []site.Quantity{site.PumpRun, site.Mains}, rain: true},
	site.LeakAlarm:          {here: []site.Quantity{site.Leak}, there: []site.Quantity{site.PumpRun}, rain: true},
	site.DehumidifierIdle:   {there: []site.Quantity{site.DehumidifierPower, site.RH}},
	site.DehumidifierWeak:   {there: []site.Quantity{site.DehumidifierPower, site.RH}},
	site.FanStopped:         {there: []site.Quantity{site.FanPower}},
	site.BackupPumpRan:      {there: []site.Quantity{site.PumpRun}, rain: true},
	site.OutdoorAirEntering: {there: []site.Quantity{site.RH, site.AirTemp}},
	site.FreezeRisk:         {here: []site.Quantity{site.AirTemp}, limit: "below", dimension: units.Temperature, below: true},
	site.MainsLost:          {there: []site.Quantity{site.Mains}, heard: true},
	site.GatewaySilent:      {heard: true},
	site.PointSilent:        {here: []site.Quantity{site.RH, site.AirTemp, site.SurfaceTemp, site.WoodMoisture, site.Battery}, heard: true},
	site.SensorSuspect:      {here: []site.Quantity{site.RH, site.AirTemp, site.Rain}},
	site.BatteryLow:         {here: []site.Quantity{site.Battery}, limit: "below", dimension: units.Percent, below: true},
}

// mostFigures keeps a message short.
const mostFigures = 4

func (f *facts) about(a *store.AlarmRecord) words.Alarm {
	c := citesOf[a.Condition]
	out := words.Alarm{Condition: a.Condition, Point: a.Point, Priority: a.Priority, RaisedAt: a.RaisedAt, OverAt: a.ClearedAt,
		AnsweredBy: a.AcknowledgedBy, AnsweredAt: a.AcknowledgedAt}
	if len(a.Causes) > 0 {
		out.Cause = a.Causes[0].Cause
	}
	for _, q := range c.here {
		out.Figures = append(out.Figures, f.figures(q, a.Point)...)
	}
	for _, q := range c.there {
		out.Figures = append(out.Figures, f.figures(q, "")...)
	}
	if len(out.Figures) > mostFigures {
		out.Figures = out.Figures[:mostFigures]
	}
	if c.limit != "" && f.desc.ID != "" {
		out.Limit = &words.Limit{Dimension: c.dimension, Value: f.desc.Limits.Value(a.Condition, c.limit), Below: c.below}
	}
	if c.rain {
		out.Rain24MM = f.rain
	}
	if c.heard {
		out.Heard = f.heard
	}
	return out
}

// figures of a quantity at a point; with "" at the first indoor points that
// measure it, at most two.
func (f *facts) figures(q site.Quantity, point string) []words.Figure {
	var out []words.Figure
	for _, r := range f.latest {
		if r.Quantity != q || point != "" && r.Point != point || point == "" && (len(out) == 2 || f.outdoors(r.Point)) {
			continue
		}
		out = append(out, words.Figure{Quantity: q, Point: r.Point, Value: r.Value, At: r.At})
	}
	return out
}

func (f *facts) outdoors(point string) bool {
	return slices.ContainsFunc(f.desc.Points, func(p site.Point) bool { return p.ID == point && p.Outdoors })
}

// charted is the series that a message's chart shows: what the first alarm goes
// by, where that is a curve; else the humidity of the space.
func (f *facts) charted(a *store.AlarmRecord) (q site.Quantity, point string, ok bool) {
	c := citesOf[a.Condition]
	for _, q := range append(slices.Clone(c.here), c.there...) {
		if q == site.HighWater || q == site.Leak || q == site.Mains || q == site.PumpOn || q == site.Rain {
			continue
		}
		at := ""
		if slices.Contains(c.here, q) {
			at = a.Point
		}
		if list := f.figures(q, at); len(list) > 0 {
			return q, list[0].Point, true
		}
	}
	if list := f.figures(site.RH, ""); len(list) > 0 {
		return site.RH, list[0].Point, true
	}
	return 0, "", false
}
