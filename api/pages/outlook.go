package pages

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// comingShown is one line of what is coming: what it is about, what is said,
// and what that rests on.
type comingShown struct{ About, Says, From string }

// addOutlook says what is coming, in words. Series of which the same is said
// share a line; nothing here raises an alarm.
func (p *pages) addOutlook(ctx context.Context, page *propertyPage, prop view.Property, who visit, _ string) error {
	in, err := p.Source.OutlookInput(ctx, who.Scope(), prop.ID)
	if err != nil {
		return err
	}
	o := outlook.Compute(in)
	say := foreteller{units: prop.Units, now: p.Now(), zone: zoneOf(prop.Property)}
	page.Coming = append(page.Coming, say.trends(o.Trends)...)
	page.Coming = append(page.Coming, say.pump(o.Pump)...)
	page.Coming = append(page.Coming, say.rain(o.Rain)...)
	page.Coming = append(page.Coming, say.night(o.Condensation)...)
	return nil
}

// foreteller puts an outlook into words, in the units and the clock of a house.
type foreteller struct {
	units site.UnitSystem
	now   time.Time
	zone  *time.Location
}

var trendWords = map[site.Condition]string{
	site.HumidityHigh: "Humidity", site.FreezeRisk: "Cold", site.WoodWet: "Wood moisture",
}

func (s foreteller) trends(trends []outlook.PointTrend) []comingShown {
	var out []comingShown
	at := make(map[[3]string]int)
	for _, t := range trends {
		line := comingShown{About: trendWords[t.Condition], Says: s.trend(t), From: s.trendFrom(t)}
		shared := t.Verdict == outlook.NoCrossing || t.Verdict == outlook.Unsteady || t.Verdict == outlook.TooLittle
		key := [3]string{line.About, line.Says, ""}
		if i, ok := at[key]; ok && shared {
			out[i].From += ", " + t.Point
			continue
		}
		if shared {
			line.From = t.Point
			at[key] = len(out)
		}
		out = append(out, line)
	}
	return out
}

func (s foreteller) trend(t outlook.PointTrend) string {
	limit := show(t.Quantity, t.Limit.Value, s.units)
	side := "above"
	if !t.Limit.Rising {
		side = "below"
	}
	switch t.Verdict {
	case outlook.Beyond:
		return fmt.Sprintf("Already %s %s.", side, limit)
	case outlook.Crosses:
		return fmt.Sprintf("At the present trend %s %s in %s%s.", side, limit, hoursWords(t.Hours.Value), s.between(t.Hours))
	case outlook.NoCrossing:
		return fmt.Sprintf("Not %s %s within the next %s.", side, limit, lasting(hours(t.WithinHours)))
	case outlook.Unsteady:
		return fmt.Sprintf("Not steady enough to say when it will be %s %s, if at all.", side, limit)
	}
	return "Nothing can be said: " + t.Reason + "."
}

func (s foreteller) between(r outlook.Range) string {
	if math.IsInf(r.High, 0) {
		return fmt.Sprintf(", at the earliest in %s; it may also stay away", hoursWords(r.Low))
	}
	return fmt.Sprintf(", between %s and %s", hoursWords(r.Low), hoursWords(r.High))
}

// trendFrom is the place with its trend and what moves it.
func (s foreteller) trendFrom(t outlook.PointTrend) string {
	if t.Steps == 0 {
		return t.Point
	}
	f := figureOf(t.Quantity, s.units)
	change := func(v float64) float64 { return f.convert(v) - f.convert(0) }
	slope := change(t.SlopePerDay.Value)
	direction := "rising"
	if slope < 0 {
		direction = "falling"
	}
	text := fmt.Sprintf("%s, now %s, %s by %.1f%s a day (%.1f to %.1f) over the last %s", t.Point, show(t.Quantity, t.Now, s.units), direction,
		math.Abs(slope), f.unit, math.Min(math.Abs(change(t.SlopePerDay.Low)), math.Abs(change(t.SlopePerDay.High))),
		math.Max(math.Abs(change(t.SlopePerDay.Low)), math.Abs(change(t.SlopePerDay.High))), lasting(hours(t.DataHours)))
	if t.SlopePerDay.Low*t.SlopePerDay.High < 0 {
		text = fmt.Sprintf("%s, now %s, no clear trend over the last %s", t.Point, show(t.Quantity, t.Now, s.units), lasting(hours(t.DataHours)))
	} else if t.Parts != nil {
		text += "; " + partsWords(*t.Parts)
	}
	return text
}

// partsWords says what moves the humidity, where one part outweighs the other.
func partsWords(p outlook.Parts) string {
	moisture, temperature := "more moisture in the air", "the air cooling"
	if p.Moisture < 0 {
		moisture = "less moisture in the air"
	}
	if p.Temperature < 0 {
		temperature = "the air warming"
	}
	switch a, b := math.Abs(p.Moisture), math.Abs(p.Temperature); {
	case a > 2*b:
		return "by " + moisture
	case b > 2*a:
		return "by " + temperature
	}
	return "by " + moisture + " and " + temperature
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// hoursWords rounds as the figure deserves.
func hoursWords(h float64) string {
	switch {
	case h < 1:
		return "less than an hour"
	case h < 48:
		return plural(int(math.Round(h)), "hour")
	}
	return plural(int(math.Round(h/24)), "day")
}

func (s foreteller) pump(p outlook.Pump) []comingShown {
	if !p.Known {
		return nil
	}
	from := fmt.Sprintf("the pump moves %s (%s), %s between the floats", s.format(units.Flow, p.CapacityLps), p.CapacityFrom, s.format(units.Volume, p.StorageL))
	var out []comingShown
	if p.Now == nil {
		return []comingShown{{"Pump", "No water to speak of has come in for six hours or more.", from}}
	}
	out = append(out, comingShown{"Pump now", s.spare(*p.MarginNow, p.HoldsNowHours), s.inflow(*p.Now) + "; " + from})
	if p.Peak != nil && p.Peak.Lps.Value > 1.2*p.Now.Lps.Value {
		when := "Pump, busiest in 24 hours"
		if p.Storm != nil {
			when = "Pump, busiest in this storm"
		}
		text := s.inflow(*p.Peak)
		if p.Storm != nil {
			text += "; " + s.format(units.Depth, p.Storm.DepthMm) + " of rain since " + clock(p.StormFrom(), s.now, s.zone)
		}
		out = append(out, comingShown{when, s.spare(*p.MarginPeak, p.HoldsPeakHours), text})
	}
	return out
}

func (s foreteller) format(dim units.Dimension, v float64) string {
	return units.Format(dim, v, s.units)
}

func (s foreteller) inflow(f outlook.Inflow) string {
	at := clock(f.At, s.now, s.zone)
	if math.IsInf(f.Lps.High, 0) {
		return fmt.Sprintf("the pump has not stopped: at least %s come in", s.format(units.Flow, f.Lps.Low))
	}
	return fmt.Sprintf("%s come in (%s to %s, %s, %s)", s.format(units.Flow, f.Lps.Value), s.format(units.Flow, f.Lps.Low),
		s.format(units.Flow, f.Lps.High), plural(f.Cycles, "cycle"), at)
}

// spare says what is left, and how long the basin would hold without the pump.
func (s foreteller) spare(margin outlook.Range, holds *outlook.Range) string {
	var b strings.Builder
	switch {
	case margin.Value <= 0:
		b.WriteString("As much water comes in as the pump can move, or more.")
	case margin.Low >= 0.99:
		b.WriteString("Nearly all of the pump is left.")
	case math.IsInf(margin.Low, 0):
		fmt.Fprintf(&b, "At most %.0f %% of the pump is left.", 100*margin.Value)
	default:
		fmt.Fprintf(&b, "%.0f %% of the pump is left (%.0f to %.0f %%).", 100*margin.Value, 100*margin.Low, 100*margin.High)
	}
	if holds != nil {
		fmt.Fprintf(&b, " Were it to fail, the basin would hold %s from where the pump starts to high water.", s.format(units.Duration, 3600*holds.Value))
	}
	return b.String()
}

var chanceWords = map[outlook.Chance]string{
	outlook.Expected: "Likely to come within", outlook.Possible: "May come within", outlook.NotExpected: "Not likely to come within",
}

func (s foreteller) night(c outlook.Condensation) []comingShown {
	var out []comingShown
	for _, n := range c.Surfaces {
		line := comingShown{About: "Dew on " + n.Point + " tonight"}
		if n.Chance == outlook.Unknown {
			line.Says, line.From = "Nothing can be said: "+n.Reason+".", firstText(c.Reason, n.Air)
			out = append(out, line)
			continue
		}
		diff := func(v float64) string { return s.format(units.TemperatureDiff, v) }
		line.Says = fmt.Sprintf("%s %s of the dew point: coldest margin %s (%s to %s).", chanceWords[n.Chance], diff(n.LimitK),
			diff(n.MarginK.Value), diff(n.MarginK.Low), diff(n.MarginK.High))
		line.From = "from the forecast of " + c.Source
		if !n.ByForecast {
			var nights []string
			for _, m := range n.Nights {
				nights = append(nights, diff(m.MarginK))
			}
			line.From = firstText(c.Reason, n.Reason) + "; the last nights came to " + strings.Join(nights, ", ")
		}
		out = append(out, line)
	}
	return out
}
