package pages

import (
	"fmt"
	"slices"
	"time"

	"underkeep/alerting/air"
	"underkeep/api/pages/chart"
	"underkeep/api/view"
	"underkeep/store/site"
)

// moldSpans are the periods over which the mold index is drawn: it moves over
// weeks, and following it from the installation on is not for every look at a
// page.
var moldSpans = map[string]bool{"month": true, "year": true, "all": true}

// moldPlace is an indoor air point with the wood beside it whose temperature is
// measured, if any.
type moldPlace struct {
	air, surface site.Point // surface.ID "" when the air itself counts
}

func moldPlaces(p site.Property) []moldPlace {
	var out []moldPlace
	for _, a := range p.Points {
		if a.Outdoors || !slices.Contains(a.Measures, site.RH) || !slices.Contains(a.Measures, site.AirTemp) {
			continue
		}
		pl := moldPlace{air: a}
		for _, s := range p.Points {
			wood := s.Surface == "joist" || s.Surface == "rim"
			if wood && s.Air == a.ID && slices.Contains(s.Measures, site.SurfaceTemp) {
				pl.surface = s
				break
			}
		}
		out = append(out, pl)
	}
	return out
}

// mold draws the index at every indoor air point. It is followed hour by hour
// from the installation on; where hours are missing the index may lie anywhere
// in the band, which the line's own value does not tell.
func (d *drawer) mold() *chartShown {
	places := moldPlaces(d.prop.Property)
	if !d.slow || len(places) == 0 {
		return nil
	}
	model, err := moldModel(d.prop.Property)
	if err != nil {
		d.err = err
		return nil
	}
	c := d.chart("Mold index", figure{"", 1, same})
	c.Zero = true
	for _, level := range []string{"low", "medium", "high"} {
		c.Limits = append(c.Limits, chart.Limit{Value: d.prop.Limits.Value(site.MoldRisk, level), Name: "alarm, " + level, Far: level != "low"})
	}
	missing := 0.0
	for i, pl := range places {
		line, hours := d.moldLine(model, pl)
		line.Style = i%4 + 1
		c.Lines = append(c.Lines, line)
		missing = max(missing, hours)
	}
	note := "From 0, no growth, to 6, all covered; followed hour by hour since the installation."
	if missing > 0 {
		note += fmt.Sprintf(" For up to %.0f hours nothing is known: the pale band is where the index may lie for that.", missing)
	}
	return d.show(c, note)
}

func moldModel(p site.Property) (*air.MoldModel, error) {
	class, err := air.ParseMoldClass(p.MoldClass)
	if err != nil {
		class = air.Sensitive
	}
	m, err := air.NewMoldModel(air.MoldOptions{Class: class, Decline: p.MoldDecline})
	if err != nil {
		return nil, fmt.Errorf("mold model of %s: %w", p.ID, err)
	}
	return m, nil
}

// moldLine follows one place and keeps a sample for each step of the chart; it
// also says for how many hours nothing was known.
func (d *drawer) moldLine(model *air.MoldModel, pl moldPlace) (chart.Line, float64) {
	start := d.moldStart()
	rh := d.hourly(pl.air.ID, site.RH)
	temp := d.hourly(pl.air.ID, site.AirTemp)
	var surface map[int64]float64
	name := pl.air.ID
	if pl.surface.ID != "" {
		surface = d.hourly(pl.surface.ID, site.SurfaceTemp)
		name += ", on " + pl.surface.ID
	}
	line := chart.Line{Name: name}
	track := air.StartMoldTrack(air.MoldState{})
	next := d.period.from
	for at := start; at.Before(d.period.to) && d.err == nil; at = at.Add(time.Hour) {
		if err := moldHour(model, &track, at.Unix(), rh, temp, surface); err != nil {
			d.err = err
		}
		if !at.Before(next) {
			line.Samples = append(line.Samples, chart.Sample{At: at, Low: track.Low, Mean: track.State.Index, High: track.High})
			next = at.Add(4 * d.period.fine) // it moves slowly
		}
	}
	return line, track.HoursUnknown
}

// moldHour carries the track through the hour that begins at the second given.
func moldHour(model *air.MoldModel, t *air.MoldTrack, at int64, rh, temp, surface map[int64]float64) error {
	h, okH := rh[at]
	c, okT := temp[at]
	if surface != nil && okH && okT {
		var ok bool
		airC := c
		if c, ok = surface[at]; ok {
			h = min(100, air.FastSurfaceRHPct(airC, h, c))
		}
		okT = ok
	}
	if !okH || !okT {
		return model.TrackGap(t, 1, air.Unknown)
	}
	model.Track(t, c, h)
	return nil
}

// hourly means of a series by the second at which their hour begins.
func (d *drawer) hourly(point string, q site.Quantity) map[int64]float64 {
	found := d.summed[view.SeriesKey{Point: point, Quantity: q}]
	out := make(map[int64]float64, len(found))
	for _, b := range found {
		out[b.At.Unix()] = b.Mean
	}
	return out
}

// start is from when on readings are needed: those of the period, and all since
// the installation where the mold index is drawn.
func (d *drawer) start() time.Time {
	if d.slow && len(moldPlaces(d.prop.Property)) > 0 {
		return earlier(d.period.from, d.moldStart())
	}
	return d.period.from
}

func (d *drawer) moldStart() time.Time {
	return installedAt(d.prop.Property, d.period.zone).Truncate(time.Hour)
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
