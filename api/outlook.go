package api

import (
	"errors"
	"math"
	"net/http"

	"underkeep/alerting/outlook"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

const outlookNote = "An outlook from the readings so far; it raises no alarm and rules none out. " +
	"Ranges: of trends 90 %; of the pump, its last three cycles and 12 % of storage; of a night, the largest step between the last nights, or 90 % with a forecast."

type outlookOut struct {
	At           *string         `json:"at"`
	Note         string          `json:"note"`
	Trends       []trendOut      `json:"trends"`
	Pump         pumpOut         `json:"pump"`
	Rain         rainOut         `json:"rain"`
	Condensation condensationOut `json:"condensation"`
}

// rangeOut leaves out an end that nothing bounds.
type rangeOut struct {
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

type trendOut struct {
	Condition   string    `json:"condition"`
	Point       string    `json:"point"`
	Quantity    string    `json:"quantity"`
	Unit        string    `json:"unit"`
	Limit       float64   `json:"limit"`
	Direction   string    `json:"direction"`
	Verdict     string    `json:"verdict"`
	Reason      string    `json:"reason,omitempty"`
	Value       *float64  `json:"value"`
	PerDay      *rangeOut `json:"per_day"`
	FromCooling *float64  `json:"per_day_from_temperature,omitempty"`
	FromVapour  *float64  `json:"per_day_from_moisture,omitempty"`
	Hours       *rangeOut `json:"hours"`
	Within      float64   `json:"within_hours"`
	Swing       float64   `json:"daily_swing"`
	DataHours   float64   `json:"data_hours"`
	Steps       int       `json:"medians"`
}

type pumpOut struct {
	Known        bool        `json:"known"`
	Reason       string      `json:"reason,omitempty"`
	VolumeUnit   string      `json:"volume_unit"`
	FlowUnit     string      `json:"flow_unit"`
	DepthUnit    string      `json:"depth_unit"`
	Storage      *float64    `json:"storage"`
	Reserve      *float64    `json:"reserve"`
	Capacity     *float64    `json:"capacity"`
	From         string      `json:"capacity_from,omitempty"`
	AsBuilt      *float64    `json:"as_built_flow"`
	Measured     *rangeOut   `json:"measured_flow"`
	RainKnown    bool        `json:"rain_known"`
	Storm        *stormOut   `json:"storm"`
	Now          *pumpingOut `json:"now"`
	Peak         *pumpingOut `json:"peak"`
	HoldsMeaning string      `json:"holds_meaning"`
}

type stormOut struct {
	From  *string `json:"from"`
	To    *string `json:"last_rain"`
	Depth float64 `json:"depth"`
}

type pumpingOut struct {
	At     *string   `json:"at"`
	Cycles int       `json:"cycles"`
	Inflow rangeOut  `json:"inflow"`
	Margin rangeOut  `json:"margin"`
	Holds  *rangeOut `json:"holds_hours"`
}

type condensationOut struct {
	From     *string      `json:"from"`
	To       *string      `json:"to"`
	Unit     string       `json:"unit"`
	Forecast *string      `json:"forecast"`
	Reason   string       `json:"reason,omitempty"`
	Surfaces []surfaceOut `json:"surfaces"`
}

type surfaceOut struct {
	Point      string     `json:"point"`
	Air        string     `json:"air"`
	Limit      float64    `json:"limit"`
	Chance     string     `json:"chance"`
	Reason     string     `json:"reason,omitempty"`
	ByForecast bool       `json:"by_forecast"`
	Margin     *rangeOut  `json:"margin"`
	Change     *float64   `json:"change_per_night"`
	Nights     []nightOut `json:"nights"`
}

type nightOut struct {
	Began   *string `json:"began"`
	At      *string `json:"at"`
	Margin  float64 `json:"margin"`
	Covered float64 `json:"covered"`
}

func (s *server) getOutlook(w http.ResponseWriter, r *http.Request) {
	q := query(r, "units")
	system := q.units()
	p, err := s.property(r)
	if err = errors.Join(q.err, err); err != nil {
		s.fail(w, r, err)
		return
	}
	in, err := s.Source.OutlookInput(r.Context(), scope(r), p.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, http.StatusOK, showOutlook(outlook.Compute(in), system))
}

func showOutlook(o outlook.Outlook, system site.UnitSystem) outlookOut {
	out := outlookOut{At: stamp(o.At), Note: outlookNote, Trends: []trendOut{}, Pump: showPump(o.Pump, system), Rain: showRain(o.Rain, system)}
	for _, t := range o.Trends {
		out.Trends = append(out.Trends, showTrend(t, system))
	}
	out.Condensation = showCondensation(o.Condensation, system)
	return out
}

// finite is nil for what nothing bounds.
func finite(v float64) *float64 {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}

func showRange(r outlook.Range, convert func(float64) float64) *rangeOut {
	return &rangeOut{finite(convert(r.Value)), finite(convert(r.Low)), finite(convert(r.High))}
}

func asIs(v float64) float64 { return v }

func showTrend(t outlook.PointTrend, system site.UnitSystem) trendOut {
	unit, convert := shown(t.Quantity, system)
	change := func(v float64) float64 { return convert(v) - convert(0) }
	out := trendOut{
		Condition: string(t.Condition), Point: t.Point, Quantity: t.Quantity.String(), Unit: unit, Limit: convert(t.Limit.Value),
		Direction: "falling-below", Verdict: string(t.Verdict), Reason: t.Reason, Within: t.WithinHours,
		Swing: change(t.DailySwing), DataHours: t.DataHours, Steps: t.Steps,
	}
	if t.Limit.Rising {
		out.Direction = "rising-above"
	}
	if t.HasNow {
		out.Value = finite(convert(t.Now))
	}
	if t.Steps > 0 {
		out.PerDay = showRange(t.SlopePerDay, change)
	}
	if t.Verdict == outlook.Crosses {
		out.Hours = showRange(t.Hours, asIs)
	}
	if t.Parts != nil {
		out.FromCooling, out.FromVapour = &t.Parts.Temperature, &t.Parts.Moisture
	}
	return out
}

// inUnit converts from the inside unit to the named one, which the dimension
// must have.
func inUnit(dim units.Dimension, name string) func(float64) float64 {
	return func(v float64) float64 {
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return v
		}
		out, err := units.Convert(dim, v, name)
		if err != nil {
			panic("api: " + err.Error())
		}
		return out
	}
}

func showPump(p outlook.Pump, system site.UnitSystem) pumpOut {
	out := pumpOut{Known: p.Known, Reason: p.Reason, VolumeUnit: "L", FlowUnit: "L/s", DepthUnit: "mm", From: p.CapacityFrom, RainKnown: p.RainKnown,
		HoldsMeaning: "from the level at which the pump starts to the high-water level, with the pump dead"}
	if system == site.US {
		out.VolumeUnit, out.FlowUnit, out.DepthUnit = "gal", "gpm", "in"
	}
	volume, flow := inUnit(units.Volume, out.VolumeUnit), inUnit(units.Flow, out.FlowUnit)
	given := func(v float64, convert func(float64) float64) *float64 {
		if v == 0 {
			return nil
		}
		return finite(convert(v))
	}
	out.Storage, out.Reserve = given(p.StorageL, volume), given(p.ReserveL, volume)
	out.Capacity, out.AsBuilt = given(p.CapacityLps, flow), given(p.AsBuiltLps, flow)
	if p.MeasuredLps.Value > 0 {
		out.Measured = showRange(p.MeasuredLps, flow)
	}
	if p.Storm != nil {
		out.Storm = &stormOut{stamp(p.StormFrom()), stamp(p.StormTo()), inUnit(units.Depth, out.DepthUnit)(p.Storm.DepthMm)}
	}
	out.Now, out.Peak = showPumping(p.Now, p.MarginNow, p.HoldsNowHours, flow), showPumping(p.Peak, p.MarginPeak, p.HoldsPeakHours, flow)
	return out
}

func showPumping(f *outlook.Inflow, margin, holds *outlook.Range, flow func(float64) float64) *pumpingOut {
	if f == nil || margin == nil {
		return nil
	}
	out := &pumpingOut{At: stamp(f.At), Cycles: f.Cycles, Inflow: *showRange(f.Lps, flow), Margin: *showRange(*margin, asIs)}
	if holds != nil {
		out.Holds = showRange(*holds, asIs)
	}
	return out
}

func showCondensation(c outlook.Condensation, system site.UnitSystem) condensationOut {
	out := condensationOut{From: stamp(c.From), To: stamp(c.To), Unit: "K", Forecast: orNull(c.Source), Reason: c.Reason, Surfaces: []surfaceOut{}}
	convert := asIs
	if system == site.US {
		out.Unit, convert = "F", inUnit(units.TemperatureDiff, "F")
	}
	for _, s := range c.Surfaces {
		o := surfaceOut{Point: s.Point, Air: s.Air, Limit: convert(s.LimitK), Chance: string(s.Chance), Reason: s.Reason,
			ByForecast: s.ByForecast, Nights: []nightOut{}}
		if s.Chance != outlook.Unknown {
			o.Margin = showRange(s.MarginK, convert)
		}
		if s.Chance != outlook.Unknown && !s.ByForecast {
			o.Change = finite(convert(s.TrendK))
		}
		for _, n := range s.Nights {
			o.Nights = append(o.Nights, nightOut{stamp(n.Began), stamp(n.At), convert(n.MarginK), n.Covered})
		}
		out.Surfaces = append(out.Surfaces, o)
	}
	return out
}
