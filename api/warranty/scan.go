package warranty

import (
	"math"

	"underkeep/alerting/air"
)

// run follows the longest unbroken stretch of something. Time that is left out
// does not lengthen it, and breaks it only where a reading says that it was over.
type run struct {
	from, length   int64
	maxFrom, maxTo int64
	max            int64
}

func (r *run) add(from, to int64) {
	if r.length == 0 {
		r.from = from
	}
	r.length += to - from
	if r.length > r.max {
		r.max, r.maxFrom, r.maxTo = r.length, r.from, to
	}
}

func (r *run) end() { r.length = 0 }

// harvest takes the longest stretch and begins anew; one that is going on is
// carried along with its whole length.
func (r *run) harvest() longest {
	l := longest{r.max, span{r.maxFrom, r.maxTo}}
	r.max = 0
	return l
}

// longest stretch that was found, and when.
type longest struct {
	length int64
	at     span
}

// cases are the four ways to read a stretch of time.
type cases struct {
	best    int64 // certainly beyond the limit
	worst   int64 // beyond it or undecided or not known
	noGap   int64 // the worst, had there been no gap
	noDoubt int64 // the worst, had the sensor no uncertainty
}

func (c *cases) plus(o cases) {
	c.best += o.best
	c.worst += o.worst
	c.noGap += o.noGap
	c.noDoubt += o.noDoubt
}

// dayFigures of one series.
type dayFigures struct {
	beyond         cases
	counted, known int64 // time that is judged, and of it known
	spared         int64 // left out, other than the drying out
	low, high, sum float64
	peakAt         int64
}

// threshold of one day, on the values as they were read.
type threshold struct {
	sure    float64 // beyond it: certainly above
	nominal float64 // the limit itself
	good    float64 // up to it: certainly not above
	offset  float64 // read minus corrected
	skip    bool    // the series is not judged on this day
	reach   reach   // of corrected values, for the bounds of an hour
}

// pieceFigures are the longest stretches of one piece.
type pieceFigures struct {
	best, worst, noGap, noDoubt, gap longest
}

// scan judges one series against a threshold a day, in one pass.
type scan struct {
	limits []threshold
	days   []dayFigures
	drying int64  // end of commissioning
	pieces []span // of days
	piece  int
	found  []pieceFigures

	best, worst, noGap, noDoubt, gap run
	open                             bool // some run is open

	byHour *hours // of corrected values, what is left out included

	excursions []excursion
	going      excursion
	gaps       []span
	gapGoing   span
}

// excursion is a stretch that was above the limit or not certainly below it.
type excursion struct {
	at     span
	sure   int64
	peak   float64 // corrected
	peakAt int64
}

func newScan(cal *calendar, hours int) *scan {
	s := &scan{
		limits: make([]threshold, len(cal.dates)), days: make([]dayFigures, len(cal.dates)), pieces: cal.pieces(),
		drying: cal.drying, byHour: newHours(hours, nil),
	}
	for i := range s.days {
		s.days[i].low, s.days[i].high = math.Inf(1), math.Inf(-1)
	}
	return s
}

// known implements visitor.
func (s *scan) known(c *cell, from, to int64, value float64) {
	l := &s.limits[c.day]
	if l.skip {
		return
	}
	if s.gapGoing.to > 0 {
		s.endGap()
	}
	d, held := &s.days[c.day], to-from
	v := value - l.offset
	weighted := v * float64(held)
	s.byHour.add(c.hour, held, v, weighted, &l.reach)
	if c.left == leftOut {
		s.spare(d, from, held)
		s.aside(c, l, value)
		return
	}
	d.counted += held
	d.known += held
	if v < d.low {
		d.low = v
	}
	if v > d.high {
		d.high, d.peakAt = v, from
	}
	d.sum += weighted
	if value <= l.good {
		if s.open {
			s.good(c)
		}
		return
	}
	s.bad(c, l, d, from, to, value)
}

// good ends what was going on, in time that is left out as in any other.
func (s *scan) good(c *cell) {
	s.nextPiece(c)
	s.best.end()
	s.worst.end()
	s.noGap.end()
	s.noDoubt.end()
	s.endExcursion()
	s.open = false
}

// aside takes a reading in time that is left out: it adds to nothing, but what
// it ends is over.
func (s *scan) aside(c *cell, l *threshold, value float64) {
	switch {
	case !s.open:
	case value <= l.good:
		s.good(c)
	default:
		s.nextPiece(c)
		if value <= l.sure {
			s.best.end()
		}
		if value <= l.nominal {
			s.noDoubt.end()
		}
	}
}

func (s *scan) spare(d *dayFigures, from, held int64) {
	if from >= s.drying {
		d.spared += held
	}
}

// bad takes a reading that is above the limit, or not certainly below it.
func (s *scan) bad(c *cell, l *threshold, d *dayFigures, from, to int64, value float64) {
	s.nextPiece(c)
	s.open = true
	held := to - from
	sure, over := value > l.sure, value > l.nominal
	d.beyond.worst += held
	d.beyond.noGap += held
	s.worst.add(from, to)
	s.noGap.add(from, to)
	switch {
	case !sure:
		s.best.end()
	case c.left == counted: // else the best case leaves it out
		d.beyond.best += held
		s.best.add(from, to)
	}
	if over {
		d.beyond.noDoubt += held
		s.noDoubt.add(from, to)
	} else {
		s.noDoubt.end()
	}
	s.extend(from, to, value-l.offset, sure && c.left == counted)
}

// unknown implements visitor.
func (s *scan) unknown(c *cell, from, to int64) {
	l := &s.limits[c.day]
	if l.skip {
		return
	}
	s.nextPiece(c)
	d, held := &s.days[c.day], to-from
	if c.left == leftOut {
		s.spare(d, from, held)
		s.best.end()
		s.noGap.end()
		return
	}
	s.open = true
	d.counted += held
	d.beyond.worst += held
	d.beyond.noDoubt += held
	s.worst.add(from, to)
	s.noDoubt.add(from, to)
	s.best.end()
	s.noGap.end()
	s.endExcursion()
	s.gap.add(from, to)
	if s.gapGoing.to == 0 {
		s.gapGoing.from = from
	}
	s.gapGoing.to = to
}

func (s *scan) endGap() {
	s.gaps = append(s.gaps, s.gapGoing)
	s.gapGoing = span{}
	s.gap.end()
}

func (s *scan) extend(from, to int64, v float64, sure bool) {
	g := &s.going
	if g.at.to == 0 {
		*g = excursion{at: span{from, to}, peak: math.Inf(-1)}
	}
	g.at.to = to
	if sure {
		g.sure += to - from
	}
	if v > g.peak {
		g.peak, g.peakAt = v, from
	}
}

func (s *scan) endExcursion() {
	if s.going.at.to == 0 {
		return
	}
	s.excursions = append(s.excursions, s.going)
	s.going = excursion{}
}

// nextPiece harvests the piece before when the walk has come to another.
func (s *scan) nextPiece(c *cell) {
	for s.piece < len(s.pieces) && int64(c.day) >= s.pieces[s.piece].to {
		s.harvest()
	}
}

func (s *scan) harvest() {
	s.found = append(s.found, pieceFigures{s.best.harvest(), s.worst.harvest(), s.noGap.harvest(), s.noDoubt.harvest(), s.gap.harvest()})
	s.piece++
}

// finish ends the pass.
func (s *scan) finish() {
	for s.piece < len(s.pieces) {
		s.harvest()
	}
	s.endExcursion()
	if s.gapGoing.to > 0 {
		s.endGap()
	}
}

// reach is how far a value may lie from what was read: guard to either side, but
// not beyond the ends that hold for one that was not read at all. Else a reading
// could leave more open than none.
type reach struct{ guard, low, high float64 }

func humidityReach(guard float64) reach {
	return reach{guard, air.Unknown.MinRHPct, air.Unknown.MaxRHPct}
}

func temperatureReach(guard float64) reach {
	return reach{guard, air.Unknown.MinTempC, air.Unknown.MaxTempC}
}

// hours sums a series up by the hour, what is left out included: wood and mold do
// not stand still in it.
type hours struct {
	covered []int64
	sum     []float64
	// under and over are what the guard band would take beyond the ends; nil while
	// nothing is near them.
	under, over []float64
	reach       []reach // by day
}

func newHours(n int, byDay []reach) *hours {
	return &hours{covered: make([]int64, n), sum: make([]float64, n), reach: byDay}
}

// known implements visitor.
func (h *hours) known(c *cell, from, to int64, value float64) {
	h.add(c.hour, to-from, value, value*float64(to-from), &h.reach[c.day])
}

// unknown implements visitor.
func (h *hours) unknown(*cell, int64, int64) {}

func (h *hours) add(hour int32, held int64, v, weighted float64, r *reach) {
	h.covered[hour] += held
	h.sum[hour] += weighted
	if v-r.guard < r.low || v+r.guard > r.high {
		h.beyond(hour, held, v, r)
	}
}

func (h *hours) beyond(hour int32, held int64, v float64, r *reach) {
	if h.under == nil {
		h.under, h.over = make([]float64, len(h.sum)), make([]float64, len(h.sum))
	}
	h.under[hour] += max(0, r.low-v+r.guard) * float64(held)
	h.over[hour] += max(0, v+r.guard-r.high) * float64(held)
}

// mean bounds the mean of an hour, of which whole µs exist: what is not known of
// it lies between the ends. Had there been no gap, the known part stands for all
// of it; false when there is none. Without doubt there is no guard band.
func (h *hours) mean(hour int, whole int64, r reach, how int) (bounds, bool) {
	known := h.covered[hour]
	if known == 0 {
		return bounds{r.low, r.high}, how != noGap
	}
	k, all := float64(known), float64(max(whole, known))
	low, high := h.sum[hour]-r.guard*k, h.sum[hour]+r.guard*k
	if h.under != nil {
		low, high = low+h.under[hour], high-h.over[hour]
	}
	switch how {
	case noGap:
		return bounds{low / k, high / k}, true
	case noDoubt:
		low, high = h.sum[hour], h.sum[hour]
	}
	return bounds{(low + r.low*(all-k)) / all, (high + r.high*(all-k)) / all}, true
}

type bounds struct{ low, high float64 }
