package pages

import (
	"context"
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"underkeep/alerting/air"
	"underkeep/api/pages/chart"
	"underkeep/api/view"
	"underkeep/store/site"
	field "underkeep/store/visit"
)

// span is one choice of how far back the charts go.
type span struct {
	Key, Name string
	Chosen    bool
}

var spanNames = []span{{Key: "24h", Name: "24 hours"}, {Key: "week", Name: "Week"}, {Key: "month", Name: "Month"}, {Key: "year", Name: "Year"}, {Key: "all", Name: "Since installation"}}

// period is what the charts of a page show.
type period struct {
	from, to time.Time
	fine     time.Duration // of lines
	coarse   time.Duration // of bars
	base     time.Duration // both are multiples of it
	row      time.Duration // of tables
	zone     *time.Location
}

// periodOf keeps lines at about 250 samples: more is not seen, and weighs.
func periodOf(key string, installed, now time.Time, zone *time.Location) period {
	const day = 24 * time.Hour
	p := period{zone: zone}
	length := day
	switch key {
	case "week":
		length, p.fine, p.coarse, p.row = 7*day, 45*time.Minute, 6*time.Hour, 12*time.Hour
	case "month":
		length, p.fine, p.coarse, p.row = 30*day, 4*time.Hour, day, day
	case "year":
		length, p.fine, p.coarse, p.row = 365*day, 36*time.Hour, 7*day, 14*day
	case "all":
		length = max(day, now.Sub(installed))
		p.fine = (length / 240).Truncate(time.Hour) + time.Hour
		p.coarse, p.row = 6*p.fine, (length/24).Truncate(day)+day
	default:
		p.fine, p.coarse, p.row = 5*time.Minute, time.Hour, time.Hour
	}
	p.base = time.Hour
	if p.fine < time.Hour {
		p.base = p.fine
	}
	p.to = now.Truncate(p.fine).Add(p.fine)
	p.from = p.to.Add(-(length + p.fine - 1) / p.fine * p.fine)
	return p
}

// chartShown is a chart with what it needs beside the picture.
type chartShown struct {
	Title  string
	SVG    template.HTML
	Legend []legend
	Note   string
	Head   []string
	Rows   [][]string
}

type legend struct {
	Style      int
	Name, Last string
}

// drawer gathers what the charts of one property have in common.
type drawer struct {
	ctx    context.Context
	source view.Source
	scope  view.Scope
	prop   view.Property
	period period
	marks  []chart.Mark
	slow   bool // the period is long enough for what moves over weeks
	count  int
	err    error
	// Every series in steps of period.base, read at once.
	summed map[view.SeriesKey][]view.Bucket
}

func (p *pages) addCharts(ctx context.Context, page *propertyPage, prop view.Property, who visit, chosen string) error {
	if !slices.ContainsFunc(spanNames, func(s span) bool { return s.Key == chosen }) {
		chosen = "24h"
	}
	page.Spans = slices.Clone(spanNames)
	for i := range page.Spans {
		page.Spans[i].Chosen = page.Spans[i].Key == chosen
	}
	zone := zoneOf(prop.Property)
	d := &drawer{ctx: ctx, source: p.Source, scope: who.Scope(), prop: prop}
	d.slow = moldSpans[chosen]
	d.period = periodOf(chosen, installedAt(prop.Property, zone), p.Now(), zone)
	d.markAlarms(p.Now())
	if err := d.markVisits(p.Now()); err != nil {
		return err
	}
	d.read(d.start())
	page.Charts = d.all()
	if !d.slow && len(moldPlaces(prop.Property)) > 0 {
		page.MoldLater = "The mold index moves over weeks; it is drawn over a month and longer."
	}
	page.Visited = slices.ContainsFunc(d.marks, func(m chart.Mark) bool { return m.Moment })
	page.Export = exportsOf(prop.Property, d.period)
	return d.err
}

// markAlarms marks the alarms on the charts with the numbers of the page.
func (d *drawer) markAlarms(now time.Time) {
	for i, a := range d.prop.Open {
		end := later(a.ClearedAt, a.WithdrawnAt)
		if !a.Over() {
			end = now
		}
		title := fmt.Sprintf("%s %s, since %s", wordsFor(a.Condition).Title, a.Point, clock(a.RaisedAt, now, d.period.zone))
		d.marks = append(d.marks, chart.Mark{From: a.RaisedAt, To: end, Label: fmt.Sprint(i + 1), Title: title})
	}
}

// markVisits marks when somebody was at the house.
func (d *drawer) markVisits(now time.Time) error {
	found, _, err := d.source.Visits(d.ctx, d.scope, view.VisitQuery{
		Property: d.prop.ID, States: []field.State{field.Done, field.UnderWay}, Limit: 40,
	})
	if err != nil {
		return fmt.Errorf("visits of %s: %w", d.prop.ID, err)
	}
	for _, v := range found {
		if v.StartedAt.IsZero() || v.StartedAt.Before(d.period.from) {
			continue
		}
		title := fmt.Sprintf("Visit, %s, %s, by %s", strings.ReplaceAll(string(v.Kind), "-", " "), clock(v.StartedAt, now, d.period.zone), firstText(v.EndedBy, v.StartedBy))
		d.marks = append(d.marks, chart.Mark{From: v.StartedAt, Label: "V", Title: title, Moment: true})
	}
	return nil
}

func (d *drawer) all() []chartShown {
	var out []chartShown
	add := func(c *chartShown) {
		if c != nil && d.err == nil {
			out = append(out, *c)
		}
	}
	add(d.humidity())
	add(d.bars("Rain", site.Rain, false))
	add(d.bars("Pump cycles", site.PumpRun, true))
	for _, point := range d.prop.Points {
		if slices.Contains(point.Measures, site.SurfaceTemp) && point.Air != "" {
			add(d.dewPoint(point))
		}
	}
	add(d.lines("Moisture of the wood", site.WoodMoisture,
		chart.Limit{Value: d.prop.Limits.Value(site.WoodWet, "low"), Name: "limit"}))
	add(d.mold())
	add(d.lines("Dehumidifier power", site.DehumidifierPower))
	add(d.lines("Exhaust fan power", site.FanPower))
	return out
}

// read gets every series of the period at once; from earlier on where something
// is followed from there.
func (d *drawer) read(from time.Time) {
	if !from.Before(d.period.to) {
		from = d.period.from
	}
	d.summed, d.err = d.source.Summed(d.ctx, d.scope, d.prop.ID, from, d.period.to, d.period.base)
}

// buckets of one series in wider steps, from the beginning of the period on.
func (d *drawer) buckets(point string, q site.Quantity, width time.Duration) []view.Bucket {
	return widened(d.summed[view.SeriesKey{Point: point, Quantity: q}], d.period.from, width)
}

// widened puts buckets into wider ones that are aligned to from; what is before
// it is left out.
func widened(buckets []view.Bucket, from time.Time, width time.Duration) []view.Bucket {
	first, _ := slices.BinarySearchFunc(buckets, from, func(b view.Bucket, t time.Time) int { return b.At.Compare(t) })
	var out []view.Bucket
	end := from
	for _, b := range buckets[first:] {
		if !b.At.Before(end) {
			at := from.Add(b.At.Sub(from) / width * width)
			end = at.Add(width)
			out = append(out, view.Bucket{At: at, Low: b.Low, High: b.High})
		}
		w := &out[len(out)-1]
		w.Low, w.High = min(w.Low, b.Low), max(w.High, b.High)
		w.Sum, w.Count = w.Sum+b.Sum, w.Count+b.Count
	}
	for i := range out {
		out[i].Mean = out[i].Sum / float64(out[i].Count)
	}
	return out
}

func (d *drawer) chart(title string, f figure) chart.Chart {
	d.count++
	return chart.Chart{
		ID: fmt.Sprintf("c%d", d.count), Title: title, Unit: f.unit, Decimals: f.decimals,
		From: d.period.from, To: d.period.to, Zone: d.period.zone, Marks: d.marks,
	}
}

// gap is how far apart samples may be before the line stops: a reading holds
// for twice its interval.
func (d *drawer) gap(every time.Duration) time.Duration {
	if every == 0 {
		return 0
	}
	return max(2*every, d.period.fine) + d.period.fine/2
}

func samples(buckets []view.Bucket, convert func(float64) float64) []chart.Sample {
	out := make([]chart.Sample, len(buckets))
	for i, b := range buckets {
		out[i] = chart.Sample{At: b.At, Low: convert(b.Low), Mean: convert(b.Mean), High: convert(b.High)}
	}
	return out
}

// lines draws one quantity of every indoor point that measures it; nil when
// none does.
func (d *drawer) lines(title string, q site.Quantity, limits ...chart.Limit) *chartShown {
	return d.banded(title, q, nil, limits...)
}

// humidity is drawn with the band in which the air should stay and the limit
// above which it is too humid.
func (d *drawer) humidity() *chartShown {
	low, high := d.prop.Limits.Value(site.HumidityDrift, "below"), d.prop.Limits.Value(site.HumidityHigh, "above")
	return d.banded("Relative humidity of the air under the house", site.RH, &chart.Band{Low: low, High: high},
		chart.Limit{Value: high, Name: fmt.Sprintf("limit %.0f %%RH", high)}, chart.Limit{Value: low, Name: fmt.Sprintf("dry limit %.0f %%RH", low)})
}

func (d *drawer) banded(title string, q site.Quantity, band *chart.Band, limits ...chart.Limit) *chartShown {
	f := figureOf(q, d.prop.Units)
	c := d.chart(title, f)
	c.Limits, c.Band = limits, band
	c.Zero = q == site.DehumidifierPower || q == site.FanPower
	for _, point := range d.prop.Points {
		if point.Outdoors || !slices.Contains(point.Measures, q) {
			continue
		}
		found := d.buckets(point.ID, q, d.period.fine)
		style := len(c.Lines)%4 + 1
		c.Lines = append(c.Lines, chart.Line{Name: point.ID, Style: style, Samples: samples(found, f.convert), Gap: d.gap(point.Every)})
	}
	if len(c.Lines) == 0 {
		return nil
	}
	return d.show(c, "")
}

// dewPoint draws a surface against the dew point of its air, with the margin
// between them shaded.
func (d *drawer) dewPoint(point site.Point) *chartShown {
	f := figureOf(site.SurfaceTemp, d.prop.Units)
	c := d.chart("Surface of "+point.ID+" and dew point of the air at "+point.Air, f)
	every := point.Every
	for _, a := range d.prop.Points {
		if a.ID == point.Air {
			every = max(every, a.Every)
		}
	}
	surface := d.buckets(point.ID, site.SurfaceTemp, d.period.fine)
	dew := dewPoints(d.buckets(point.Air, site.AirTemp, d.period.fine), d.buckets(point.Air, site.RH, d.period.fine))
	c.Lines = []chart.Line{
		{Name: "surface", Style: 1, Samples: samples(surface, f.convert), Gap: d.gap(every)},
		{Name: "dew point", Style: 2, Samples: samples(dew, f.convert), Gap: d.gap(every)},
	}
	c.Between = &[2]int{0, 1}
	return d.show(c, "The pale margin is how far the surface is from collecting water. Where the surface falls below the dew point it does; that is filled strongly.")
}

// dewPoints of the means of air that was measured at the same times.
func dewPoints(temps, humidities []view.Bucket) []view.Bucket {
	rh := make(map[time.Time]float64, len(humidities))
	for _, h := range humidities {
		rh[h.At] = h.Mean
	}
	var out []view.Bucket
	for _, t := range temps {
		h, ok := rh[t.At]
		if !ok {
			continue
		}
		// Air at 0 %RH has no dew point; it is left out rather than drawn.
		if dew, err := air.DewPointC(t.Mean, h); err == nil {
			out = append(out, view.Bucket{At: t.At, Low: dew, Mean: dew, High: dew})
		}
	}
	return out
}

// bars sums events: depth of rain, or how many cycles there were.
func (d *drawer) bars(title string, q site.Quantity, counted bool) *chartShown {
	f := figureOf(q, d.prop.Units)
	if counted {
		f = figure{"", 0, same}
	}
	c := d.chart(title, f)
	c.Height = 70
	measured := false
	for _, point := range d.prop.Points {
		if !slices.Contains(point.Measures, q) {
			continue
		}
		measured = true
		for _, b := range d.buckets(point.ID, q, d.period.coarse) {
			value := f.convert(b.Sum)
			if counted {
				value = float64(b.Count)
			}
			c.Bars = addBar(c.Bars, chart.Bar{At: b.At, Width: d.period.coarse, Value: value})
		}
	}
	if !measured {
		return nil
	}
	c.Title = title + " per " + lastingStep(d.period.coarse)
	return d.show(c, "")
}

// addBar puts what a second gauge or pump says on top of the first.
func addBar(bars []chart.Bar, b chart.Bar) []chart.Bar {
	for i := range bars {
		if bars[i].At.Equal(b.At) {
			bars[i].Value += b.Value
			return bars
		}
	}
	return append(bars, b)
}

func lastingStep(d time.Duration) string {
	switch {
	case d == time.Hour:
		return "hour"
	case d == 24*time.Hour:
		return "day"
	default:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
}

func (d *drawer) show(c chart.Chart, note string) *chartShown {
	out := &chartShown{Title: c.Title, SVG: c.SVG(), Note: note}
	for _, l := range c.Lines {
		last := "no readings"
		if n := len(l.Samples); n > 0 {
			last = fmt.Sprintf("%.*f%s", c.Decimals, l.Samples[n-1].Mean, c.Unit)
		}
		out.Legend = append(out.Legend, legend{l.Style, l.Name, last})
	}
	out.Head, out.Rows = table(c, d.period)
	return out
}
