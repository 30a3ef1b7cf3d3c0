package water

import "math"

// ResponseVersion of the state's shape; a state of another version is started afresh.
const ResponseVersion = 3

// Response is one site's own response to rain: what it has learned of how many pump
// cycles a depth of rain brings, when, and after how wet a time. It is plain data
// without pointers: copy it by value for a checkpoint, or marshal it as JSON (about
// 18 KB). All methods are deterministic. Hand events in by rising event time; how often
// it is asked or advanced in between changes nothing.
type Response struct {
	Version uint8
	Storms  Storms
	Bank    Bank
	Snow    Snow
	Bias    Bias

	Cell     Micros  // start of the current cell of the grid
	CellMm   float32 // rain in it so far
	RainAt   Micros  // last record of rain, wet or dry; 0: none
	CycleAt  Micros  // last cycle, the end of what was not known, or the start
	BlindTo  Micros  // nothing is learned before this
	LearntAt Micros  // start of the segment

	SegmentCycles   int32   // in the segment
	SegmentExpected float32 // in the segment, by the bank as it stood
	SegmentRainMm   float32
	SegmentFromRain float32 // of SegmentExpected
	SegmentRatio    float32 // ln of how much likelier rain makes the segment's cycles
	StormExpected   float32 // from rain, since the current storm began
	StormCycles     int32
	Held            bool // a silence that a working pump would hardly have kept: learned only if a test proves the pump

	// Dry is the part of the cycles that needs no rain; DrySince are the hours since the
	// last cycle, fading like the water.
	Dry      Rate
	DrySince float32

	// Unconnected is the probability that rain does not reach this basin at all.
	Unconnected float64
	// LearntCycles per LearntMm, fading: what a person is shown.
	LearntCycles, LearntMm float32
	LearntStorms           int32
}

// Usable says whether this is a state of this version, made or read from storage.
func (r *Response) Usable() bool { return r.Version == ResponseVersion && !r.Bank.empty() }

// rainRestHours after the last rain, silence is no longer held against the pump.
const rainRestHours = 72.0

// Rain adds a gauge's or weather station's record: depth in mm that fell since its
// record before (an hour at most), known at the end of that interval. Depths below 0
// and NaN are ignored.
func (r *Response) Rain(at Micros, mm float64) {
	if !(mm >= 0) || math.IsInf(mm, 0) {
		return
	}
	start := max(at-microsPerHour, min(r.RainAt, at))
	r.RainAt = at
	if mm == 0 {
		r.Advance(at)
		return
	}
	r.advanceTo(at)
	if r.Storms.Count == 0 || r.Storms.begins(max(start, r.Storms.Current.End)) {
		r.closeSegment(at)
		// Each storm is judged by itself: whatever the bank made of the ebb before, a basin
		// whose pump works holds less than one cycle when it begins.
		r.Bank.hold()
		r.StormExpected, r.StormCycles = 0, 0
	}
	// Records come by rising time, so that Add has nothing to refuse; a record dated
	// back is counted where the last one ended.
	end := max(at, r.Storms.Current.End)
	if _, _, err := r.Storms.Add(min(start, end), end, mm); err != nil {
		return
	}
	r.CellMm += float32(mm)
	r.SegmentRainMm += float32(mm)
}

// Cycle adds one cycle of the primary pump by its start.
func (r *Response) Cycle(at Micros) {
	r.advanceTo(at)
	if r.Held {
		// Silent and then running: repaired or recovered, so the silence taught nothing.
		r.Held = false
		r.dropSegment(at)
	}
	r.noteConnection()
	telling := 1.0
	if r.SegmentCycles == 0 {
		telling = firstTelling
	}
	since := math.Max(0, float64(at-max(r.Cell, r.CycleAt))/cellMicros)
	dry := r.dryInflow() + r.Dry.perHour()*since*cellHours
	if !r.wet(at) {
		r.Dry.NewCount += float32(dry / (dry + r.rainInflow()))
	}
	mean, variance := r.Bank.cycle(since, dry, r.Dry.perHour(), telling)
	r.Bias.note(at, mean, variance)
	r.DrySince = 0
	r.CycleAt = at
	r.SegmentCycles++
	r.StormCycles++
}

// Tested adds a recorded pump test that the pump passed: silence before it was true,
// so it is learned from.
func (r *Response) Tested(at Micros) {
	r.advanceTo(at)
	if r.SegmentCycles == 0 {
		r.learnSilence()
	}
	r.Held = false
	r.learnSegment(at)
	r.Bank.emptied()
	r.DrySince = 0
	r.CycleAt = at
}

// Blind says that from a time on, until to, cycles or rain are not known (the gateway
// was silent, the mains were lost, no rain source spoke): nothing is learned from the
// segment, and silence is not held against the pump.
func (r *Response) Blind(from, to Micros) {
	r.advanceTo(from)
	r.BlindTo = max(r.BlindTo, to)
	r.CycleAt = max(r.CycleAt, to) // what comes before is not counted
	r.dropSegment(from)
	r.Bank.emptied()
	r.DrySince = 0
}

// Advance moves the state to now; it may be left out, it only saves later calls work.
func (r *Response) Advance(now Micros) {
	const farHours = 24 * 120
	if now-r.Cell > farHours*microsPerHour { // nothing of the past is left by then
		r.Cell = now - now%cellMicros - farHours*microsPerHour
	}
	for cells := r.stride(); r.Cell+Micros(cells)*cellMicros <= now; cells = r.stride() {
		r.step(cells)
	}
}

// advanceTo moves the state to the last full cell before an event.
func (r *Response) advanceTo(at Micros) {
	r.Advance(at)
	if cells := int((at - r.Cell) / cellMicros); cells > 0 {
		r.step(cells)
	}
}

// The cells that are run at once end on multiples of these: long after the rain nothing
// happens within an hour, and when it no longer counts, within a quarter of a day.
const (
	afterRainHours = 12.0
	slowStride     = 4
	idleStride     = 24
)

// stride is how many cells from the current one on are run at once. It depends on the
// events alone, not on when somebody asks.
func (r *Response) stride() int {
	since := float64(r.Cell - r.Storms.Current.End)
	if r.CellMm > 0 || r.Snow.PackMm > 0 || since < afterRainHours*microsPerHour {
		return 1
	}
	most := idleStride
	if since < rainRestHours*microsPerHour {
		most = slowStride
	}
	return most - int(r.Cell/cellMicros)%most
}

// step closes the current cell and, where no water falls, those after it.
func (r *Response) step(cells int) {
	length := Micros(cells) * cellMicros
	hours := float64(cells) * cellHours
	since := math.Min(math.Max(float64(r.Cell+length-r.CycleAt)/float64(length), 0), 1)
	evaporation := evaporationMm(r.Cell) * float64(cells)
	var rain float64
	if cells == 1 {
		rain = r.Bank.step(r.liquid(), evaporation, since)
	} else {
		rain = r.Bank.pass(cells, evaporation, since)
	}
	r.DrySince = r.DrySince*power(sinceKeep, cells) + float32(since*hours)
	if !r.wet(r.Cell) {
		r.Dry.NewHours += float32(hours)
	}
	r.SegmentExpected += float32(rain + r.Dry.perHour()*hours)
	r.StormExpected += float32(rain)
	r.SegmentFromRain += float32(rain)
	r.CellMm = 0
	r.Cell += length
	const segmentMicros = 24 * microsPerHour
	if r.Cell-r.LearntAt >= segmentMicros && !r.Storms.Raining(r.Cell) {
		r.closeSegment(r.Cell)
	}
}

// liquid is what of the cell's rain reaches the ground now.
func (r *Response) liquid() float64 {
	if r.Snow.holds() {
		return r.Snow.step(float64(r.CellMm), r.Cell)
	}
	return float64(r.CellMm)
}

// at is a copy of the state as of now. Rain of the current, unfinished cell is not
// counted yet: it has hardly reached the basin.
func (r *Response) at(now Micros) Response {
	c := *r
	c.Advance(now)
	return c
}

// uptodate says whether Advance would change nothing.
func (r *Response) uptodate(now Micros) bool {
	return r.Cell+Micros(r.stride())*cellMicros > now
}

// ExpectedCycles is how many cycles the rain of the current storm should have brought
// until now, were the pump to work. It changes nothing.
func (r *Response) ExpectedCycles(now Micros) float64 {
	if r.uptodate(now) {
		return float64(r.StormExpected)
	}
	c := r.at(now)
	return float64(c.StormExpected)
}
