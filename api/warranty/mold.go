package warranty

import (
	"fmt"
	"math"

	"underkeep/alerting/air"
	"underkeep/store/site"
)

// place is where mold could grow at one air point: on the air itself, or on the
// wood surface paired with it.
type place struct {
	air     *airPoint
	surface string // "" the air
	temp    *hours // of the surface
}

// woodSurfaces are those of the sensitive classes.
var woodSurfaces = map[string]bool{"joist": true, "rim": true}

// judgeMold follows the mold index at every indoor air point, hour by hour and
// within bounds: an hour that is not wholly known may have been as dry or as
// warm and wet as a space under a house can be, and what is known lies within
// the guard bands of its sensors. It begins when the space has dried out. Mold
// does not stop for an outage: the index goes on through time that is left out,
// and is held against the limit only in time that counts. What grew while time was
// left out is nobody's breach, so the best case goes without it.
func (j *judge) judgeMold(points []*airPoint) {
	start := j.firstMold()
	if start == nil {
		return
	}
	for _, p := range points {
		pl := place{air: p}
		for _, id := range j.points(site.SurfaceTemp, func(pt *site.Point) bool { return pt.Air == p.id && woodSurfaces[pt.Surface] }) {
			pl.surface, pl.temp = id, newHours(j.hours, j.temperatures(id, site.SurfaceTemp))
			j.tellLate(id, site.SurfaceTemp, j.in.source(j.cal, id, site.SurfaceTemp).walk(j.cal, j.cells, pl.temp))
			break
		}
		j.moldAt(pl, start)
	}
}

func (j *judge) firstMold() *MoldTerms {
	for i := range j.pieces {
		if t := j.terms(i); t != nil && t.Mold != nil {
			return t.Mold
		}
	}
	return nil
}

// moldTrack is one way to read the record.
type moldTrack struct {
	air.MoldTrack
	low, high     float64 // highest so far in the piece
	lowAt, highAt int64
}

func (t *moldTrack) note(at int64) {
	if t.Low > t.low {
		t.low, t.lowAt = t.Low, at
	}
	if t.High > t.high {
		t.high, t.highAt = t.High, at
	}
}

func (t *moldTrack) restart() { t.low, t.high, t.lowAt, t.highAt = 0, 0, 0, 0 }

// moldStep is one hour.
type moldStep struct {
	hour    int
	day     int
	from    int64
	whole   int64 // µs that it has: a zone can shift by half an hour
	counted int64 // µs that count, in the worst case
	spared  bool  // some of it is left out, in the best case at least
}

func (j *judge) moldAt(pl place, start *MoldTerms) {
	model := j.moldModel()
	dryBelow := leastCrit(model) // no mold anywhere below it
	found := make([][tracks]moldTrack, len(j.pieces))
	j.moldWays(model, pl, start, dryBelow, []int{asIs, uncharged}, found)
	results := make([]Result, len(found))
	open := false
	for piece := range found {
		if t := j.terms(piece); t != nil && t.Mold != nil {
			results[piece] = moldFigures(pl, t, &found[piece])
			open = open || results[piece].Outcome == NotProven
		}
	}
	if open { // what would have settled it
		j.moldWays(model, pl, start, dryBelow, []int{noGap, noDoubt}, found)
	}
	for piece := range found {
		if t := j.terms(piece); t != nil && t.Mold != nil {
			j.add(piece, j.moldResult(results[piece], pl, &found[piece]))
		}
	}
}

// moldWays follows the index through the period, reading the record in some ways,
// and notes what each comes to in each piece.
func (j *judge) moldWays(model *air.MoldModel, pl place, start *MoldTerms, dryBelow float64, how []int, found [][tracks]moldTrack) {
	var ways [tracks]moldTrack
	for _, i := range how {
		ways[i].MoldTrack = air.StartMoldTrack(air.MoldState{Index: start.StartIndex})
	}
	piece, apart := 0, false
	finish := func() {
		for _, i := range how {
			found[piece][i] = ways[i]
			ways[i].restart()
		}
		piece++
	}
	for _, s := range j.steps() {
		for piece < len(j.pieces) && int64(s.day) >= j.pieces[piece].to {
			finish()
		}
		if pl.air.limits[s.day].skip || s.from+s.whole <= j.cal.drying {
			continue
		}
		apart = apart || s.spared
		for _, i := range how {
			if i == uncharged && !apart {
				ways[i] = ways[asIs] // spare the work while nothing was left out
				continue
			}
			j.moldHour(model, &ways[i], pl, s, i, dryBelow)
			if s.counted > 0 {
				ways[i].note(s.from + µsHour)
			}
		}
	}
	for piece < len(j.pieces) {
		finish()
	}
}

// steps are the hours of the period with how much of each is judged.
func (j *judge) steps() []moldStep {
	if j.hourSteps != nil {
		return j.hourSteps
	}
	out := make([]moldStep, j.hours)
	for h := range out {
		out[h].hour, out[h].from = h, j.cal.from()+int64(h)*µsHour
	}
	for i := range j.cells {
		c := &j.cells[i]
		s := &out[c.hour]
		s.day = int(c.day)
		s.whole += c.to - c.from
		s.spared = s.spared || c.left != counted
		if c.left != leftOut {
			s.counted += c.to - c.from
		}
	}
	j.hourSteps = out
	return out
}

// The ways to read the record.
const (
	asIs      = iota
	noGap     // had there been no gap
	noDoubt   // had the sensors no uncertainty
	uncharged // as it is, less what grew or got wet while time was left out
	tracks
)

// moldHour carries a track through one hour.
func (j *judge) moldHour(model *air.MoldModel, t *moldTrack, pl place, s moldStep, how int, dryBelow float64) {
	e, known := j.envelope(pl, s, how)
	if !known {
		return // had there been no gap: the hour is not there
	}
	if how == uncharged && s.spared {
		e.MinRHPct = 0
	}
	if e.MaxRHPct < dryBelow {
		model.Track(&t.MoldTrack, 20, 0) // any dry hour is the same
		return
	}
	// Only an envelope that is out of range fails; clamp keeps it within.
	if err := model.TrackGap(&t.MoldTrack, 1, e); err != nil {
		panic("warranty: mold: " + err.Error())
	}
}

// envelope bounds the means of an hour.
func (j *judge) envelope(pl place, s moldStep, how int) (air.Envelope, bool) {
	p := pl.air
	rh, rhKnown := p.byHour.mean(s.hour, s.whole, p.limits[s.day].reach, how)
	temp, tKnown := p.temp.mean(s.hour, s.whole, p.temp.reach[s.day], how)
	if !rhKnown || !tKnown && rh.high >= 75 {
		return air.Unknown, how != noGap
	}
	e := air.Envelope{MinTempC: clamp(temp.low, air.MinTempC, air.MaxTempC), MaxTempC: clamp(temp.high, air.MinTempC, air.MaxTempC),
		MinRHPct: clamp(rh.low, 0, 100), MaxRHPct: clamp(rh.high, 0, 100)}
	if pl.temp == nil {
		return e, true
	}
	surface, ok := pl.temp.mean(s.hour, s.whole, pl.temp.reach[s.day], how)
	if !ok {
		return air.Unknown, how != noGap
	}
	return onSurface(e, surface), true
}

// onSurface bounds the humidity at a surface of another temperature: the vapour
// pressure of the air against the saturation at the surface. Both rise with
// their temperature, so the ends of the box are the ends of the answer.
func onSurface(e air.Envelope, surface bounds) air.Envelope {
	lowT, highT := clamp(surface.low, air.MinTempC, air.MaxTempC), clamp(surface.high, air.MinTempC, air.MaxTempC)
	least := air.FastVapourPressurePa(e.MinTempC, e.MinRHPct) / air.FastSaturationPa(highT) * 100
	most := air.FastVapourPressurePa(e.MaxTempC, e.MaxRHPct) / air.FastSaturationPa(lowT) * 100
	return air.Envelope{MinTempC: lowT, MaxTempC: highT, MinRHPct: clamp(least, 0, 100), MaxRHPct: clamp(most, 0, 100)}
}

func clamp(v, low, high float64) float64 {
	if v < low {
		return low
	}
	if v > high {
		return high
	}
	return v
}

// leastCrit is below every humidity at which mold grows in a model.
func leastCrit(m *air.MoldModel) float64 {
	least := 100.0
	for t := 0.05; t < 50; t += 0.05 {
		least = math.Min(least, m.RHCritPct(t))
	}
	return least - 0.1
}

// moldModel is the one of the description in force on the first day. A mold
// class that is none was refused when the file was read.
func (j *judge) moldModel() *air.MoldModel {
	p := &j.in.Versions[j.cal.version[0]].Property
	class, err := air.ParseMoldClass(p.MoldClass)
	if err != nil {
		class = air.Sensitive
	}
	decline := p.MoldDecline
	m, err := air.NewMoldModel(air.MoldOptions{Class: class, Decline: decline})
	if err != nil {
		panic(fmt.Sprintf("warranty: mold model of %s: %v", j.in.Property, err))
	}
	return m
}

func moldFigures(pl place, t *Terms, ways *[tracks]moldTrack) Result {
	w, best := &ways[asIs], &ways[uncharged]
	r := Result{Term: TermMold, Point: pl.air.id, Party: ByCompany, Applies: true, Limit: t.Mold.Limit,
		Best: roundTo(best.low, 1e-6), Worst: roundTo(w.high, 1e-6)}
	r.Outcome = atMost(r.Best, r.Worst, r.Limit)
	return r
}

func (j *judge) moldResult(r Result, pl place, ways *[tracks]moldTrack) Result {
	w, best := &ways[asIs], &ways[uncharged]
	at := w.highAt
	if r.Outcome == NotKept {
		at = best.lowAt
	}
	if at > 0 {
		moment := timeOf(at)
		span := span{max(j.cal.from(), at-30*24*µsHour), at}
		r.Behind = &Behind{From: timeOf(span.from), To: moment, At: &moment, Alarms: j.alarmsOver(span, pl.air.id, site.MoldRisk, site.HumidityHigh)}
	}
	r.Reason, r.Changed = moldWords(r, pl.surface, ways[noGap].high, ways[noDoubt].high)
	return r
}
