package pages

import (
	"context"
	"fmt"
	"math"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/api/view"
	"underkeep/store/site/units"
)

// rain says what the storm and the forecast come to, in words.
func (s foreteller) rain(r outlook.Rain) []comingShown {
	var out []comingShown
	from := "from the gauge " + r.Point
	if r.From == "weather-station" {
		from = "from the weather station; rain there is not rain at the house"
	}
	if st := r.Storm; st != nil {
		says := fmt.Sprintf("%s since %s, at most %s (%s).", s.format(units.Depth, st.DepthMm), clock(time.UnixMicro(st.Start), s.now, s.zone),
			s.rate(st.PeakMmPerHour), st.Class())
		if r.Pumped {
			says += fmt.Sprintf(" The pump has run %s; this house's own response would make it %.0f. A working pump would be silent since its last run in %.0f %% of such rain.",
				plural(r.Cycles, "time"), r.ExpectedCycles, 100*r.SilenceChance)
		}
		out = append(out, comingShown{"Rain of this storm", says, fmt.Sprintf("%s; %s without rain end a storm; earlier rain counted as %s when it began", from,
			plural(int(r.DryGap), "hour"), s.format(units.Depth, st.AntecedentMm))})
	}
	if r.Pumped && r.Learned.Storms > 0 && r.Learned.CyclesPerMm > 0 {
		out = append(out, s.learned(r))
	}
	if d := r.Design; d != nil && r.Learned.Storms > 0 {
		out = append(out, s.design(*d))
	}
	if a := r.Ahead; a != nil {
		says := "None is forecast for the next 24 hours."
		if !a.From.IsZero() {
			says = fmt.Sprintf("%s from %s, at most %s (%s).", s.format(units.Depth, a.DepthMm), clock(a.From, s.now, s.zone), s.rate(a.PeakMmPerHour), a.Class())
			if a.Margin != nil {
				says += fmt.Sprintf(" It may ask for %.0f runs of the pump an hour and leave %.0f %% of what it can move.", a.MostPerHour, 100*math.Max(a.Margin.Value, 0))
			}
		}
		out = append(out, comingShown{"Rain ahead", says, "from the forecast of " + a.Source})
	}
	return out
}

// learned says how this house answers rain.
func (s foreteller) learned(r outlook.Rain) comingShown {
	l, depth := r.Learned, 10.0
	says := fmt.Sprintf("%s of rain bring about %.1f runs of the pump (%.1f to %.1f), within %s on average; in dry weather it runs %.1f times a day.",
		s.format(units.Depth, depth), depth*l.CyclesPerMm, depth*l.Low, depth*l.High, plural(int(math.Ceil(l.LagHours)), "hour"), l.CyclesPerDay)
	if l.Held {
		says += " The last silence is not learned from until the pump runs or is tested."
	}
	return comingShown{"How this house answers rain", says, fmt.Sprintf("learned from %s; what it expects is usually off by a factor of %.1f", plural(l.Storms, "storm"), l.UsualFactor)}
}

// design says what the storm that the pump was chosen for would ask of it.
func (s foreteller) design(d outlook.DesignStorm) comingShown {
	says := fmt.Sprintf("%s within %s would ask for %.0f runs of the pump, at most %.0f in an hour", s.format(units.Depth, d.DepthMm), plural(int(math.Ceil(d.Hours)), "hour"), d.Cycles, d.MostPerHour)
	switch {
	case d.Margin == nil:
		says += "; what the pump can move is not known."
	case d.Margin.Value < 0:
		says += ", which is more than it can move."
	default:
		says += fmt.Sprintf(", and leave %.0f %% of what it can move.", 100*d.Margin.Value)
	}
	basis := "the design storm of the property file"
	if !d.FromFile {
		basis = "no design storm is given for this house; a usual one is taken"
	}
	return comingShown{"A design storm now", says, basis + ", on ground as wet as now, by how this house has answered rain"}
}

func (s foreteller) rate(mmPerHour float64) string {
	return s.format(units.Depth, mmPerHour) + " an hour"
}

// addWeather says where rain and forecast come from, where that is any station.
func (p *pages) addWeather(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	w, err := p.Source.Weather(ctx, who.Scope(), prop.ID)
	if err != nil {
		return err
	}
	say := foreteller{units: prop.Units, now: p.Now(), zone: zoneOf(prop.Property)}
	page.Weather = say.weather(w)
	return nil
}

func (s foreteller) weather(w view.Weather) []string {
	var out []string
	st, ok := w.Station()
	switch {
	case ok:
		out = append(out, s.station(w, st))
	case w.LookError != "" && w.HasGauge:
		out = append(out, "No weather station could be looked up; rain comes from the gauge alone.")
	case w.LookError != "":
		out = append(out, "No weather station could be looked up, and there is no gauge: rain is not known here.")
	default:
		return nil
	}
	if w.Forecast.Failure != "" {
		out = append(out, "The latest attempt to get a forecast failed.")
	}
	return out
}

func (s foreteller) station(w view.Weather, st view.WeatherStation) string {
	text := fmt.Sprintf("Weather station %s (%s)", st.Name, st.ID)
	if !math.IsNaN(st.DistanceM) {
		text += ", " + s.format(units.Length, st.DistanceM) + " away"
	}
	switch {
	case w.HasGauge:
		text += "; it checks the gauge."
	default:
		text += "; there is no gauge here, so its rain counts. Rain there is not rain at the house."
	}
	if w.RainMM != nil {
		text += fmt.Sprintf(" It reported %s in the last 24 hours.", s.format(units.Depth, *w.RainMM))
	}
	if st.Gap > 2*time.Hour {
		text += " Of them, up to " + hoursWords(st.Gap.Hours()) + " in a row are without known rain."
	}
	if st.Failure != "" {
		text += " The latest attempt to ask it failed"
		if !st.AnsweredAt.IsZero() {
			text += "; it last answered " + ago(s.now.Sub(st.AnsweredAt))
		}
		text += "."
	}
	return text
}
