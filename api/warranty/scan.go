package warranty

import "math"

// run follows the longest unbroken stretch of something. Time that is left out
// neither lengthens nor breaks it.
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
}

// pieceFigures are the longest stretches of one piece.
type pieceFigures struct {
	best, worst, noGap, noDoubt, gap longest
}

// scan judges one series against a threshold a day, in one pass.
type scan struct {
	limits []threshold
	days   []dayFigures
	pieces []span // of days
	piece  int
	found  []pieceFigures

	best, worst, noGap, noDoubt, gap run
	open                             bool // some run is open

	hourKnown []int64   // µs known in each hour of what is counted
	hourSum   []float64 // corrected value times µs

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
		hourKnown: make([]int64, hours), hourSum: make([]float64, hours),
	}
	for i := range s.days {
		s.days[i].low, s.days[i].high = math.Inf(1), math.Inf(-1)
	}
	return s
}

// known implements visitor.
func (s *scan) known(c *cell, from, to int64, value float64) {
	l := &s.limits[c.day]
	if l.skip || c.left == leftOut {
		return
	}
	if s.gapGoing.to > 0 {
		s.endGap()
	}
	d, held := &s.days[c.day], to-from
	d.counted += held
	d.known += held
	v := value - l.offset
	if v < d.low {
		d.low = v
	}
	if v > d.high {
		d.high, d.peakAt = v, from
	}
	weighted := v * float64(held)
	d.sum += weighted
	s.hourKnown[c.hour] += held
	s.hourSum[c.hour] += weighted
	if value <= l.good {
		if s.open {
			s.good(c)
		}
		return
	}
	s.bad(c, l, d, from, to, value)
}

// good ends what was going on. Where the stretch may be left out, only the best
// case may count on it.
func (s *scan) good(c *cell) {
	s.nextPiece(c)
	s.best.end()
	s.noGap.end()
	s.noDoubt.end()
	s.endExcursion()
	if c.left == counted {
		s.worst.end()
		s.open = false
	}
}

// bad takes a reading that is above the limit, or not certainly below it.
func (s *scan) bad(c *cell, l *threshold, d *dayFigures, from, to int64, value float64) {
	s.nextPiece(c)
	s.open = true
	held := to - from
	sure, over := value > l.sure && c.left == counted, value > l.nominal
	d.beyond.worst += held
	d.beyond.noGap += held
	s.worst.add(from, to)
	s.noGap.add(from, to)
	if sure {
		d.beyond.best += held
		s.best.add(from, to)
	} else {
		s.best.end()
	}
	if over {
		d.beyond.noDoubt += held
		s.noDoubt.add(from, to)
	} else {
		s.noDoubt.end()
	}
	s.extend(from, to, value-l.offset, sure)
}

// unknown implements visitor.
func (s *scan) unknown(c *cell, from, to int64) {
	l := &s.limits[c.day]
	if l.skip || c.left == leftOut {
		return
	}
	s.nextPiece(c)
	s.open = true
	d, held := &s.days[c.day], to-from
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

// hours sums a series up by the hour, and nothing else: the temperature beside
// a humidity.
type hours struct {
	covered []int64
	sum     []float64
}

func newHours(n int) *hours { return &hours{make([]int64, n), make([]float64, n)} }

// known implements visitor.
func (h *hours) known(c *cell, from, to int64, value float64) {
	if c.left != leftOut {
		h.covered[c.hour] += to - from
		h.sum[c.hour] += value * float64(to-from)
	}
}

// unknown implements visitor.
func (h *hours) unknown(*cell, int64, int64) {}
