package warranty

import (
	"math"
	"slices"
	"time"

	"underkeep/store/site"
)

// A reading holds until the next one when that comes within a quarter more than
// the interval: gateways are not clockwork. Else it holds for one interval.
const (
	lateNum, lateDen = 5, 4
	// unstated is the interval of a sampled quantity whose point names none.
	unstated = time.Hour
)

// source walks one series' readings in order of time.
type source struct {
	chunks []Chunk
	every  []int64 // by day, µs
}

// source of a quantity at a point, with the interval that its description on
// each day promises.
func (in *Input) source(cal *calendar, point string, q site.Quantity) source {
	s := source{every: make([]int64, len(cal.dates))}
	for day, v := range cal.version {
		every := unstated
		if pt, ok := in.Versions[v].Property.Point(point); ok && pt.Every > 0 {
			every = pt.Every
		}
		s.every[day] = every.Microseconds()
	}
	for i := range in.Series {
		if in.Series[i].Point == point && in.Series[i].Quantity == q {
			s.chunks = in.Series[i].Chunks
		}
	}
	return s
}

// visitor takes a stretch of one cell: a reading that holds there, or not known.
type visitor interface {
	known(c *cell, from, to int64, value float64)
	unknown(c *cell, from, to int64)
}

// late counts what proves nothing because it came too late.
type late struct {
	count    int
	from, to int64
}

func (l *late) add(at int64) {
	if l.count == 0 {
		l.from = at
	}
	l.count++
	l.to = at
}

// walk goes through the cells of a period once and tells the visitor of every
// stretch, in order: readings that hold and time that is not known.
func (s source) walk(cal *calendar, cells []cell, v visitor) late {
	var l late
	if len(cells) == 0 {
		return l
	}
	w := walker{cells: cells, v: v, at: cells[0].from}
	end := cells[len(cells)-1].to
	held, value := int64(math.MinInt64), 0.0 // the reading that may hold
	day, every := 0, s.every[0]
	for _, ch := range s.chunks {
		if n := len(ch.At); n == 0 || ch.At[n-1] < cells[0].from || ch.At[0] >= end {
			continue
		}
		for i, at := range ch.At {
			x := ch.Values[i]
			if at < cells[0].from || at >= end || x != x { // x != x: NaN, no value
				continue
			}
			for cal.bounds[day+1] <= at {
				day++
			}
			if ch.Received[i] >= cal.witnessed[day] {
				l.add(at)
				continue
			}
			if held != math.MinInt64 {
				until := at
				if at-held > every*lateNum/lateDen {
					until = held + every
				}
				w.hold(until, value)
			}
			w.blank(at)
			held, value, every = at, x, s.every[day]
		}
	}
	if held != math.MinInt64 {
		w.hold(min(held+every, end), value)
	}
	w.blank(end)
	return l
}

// walker is where a walk has come to.
type walker struct {
	cells []cell
	i     int
	at    int64
	v     visitor
}

// hold tells of a value up to a moment.
func (w *walker) hold(until int64, value float64) {
	for w.at < until {
		c := &w.cells[w.i]
		to := min(until, c.to)
		w.v.known(c, w.at, to, value)
		w.advance(c, to)
	}
}

// blank tells of time that is not known up to a moment.
func (w *walker) blank(until int64) {
	for w.at < until {
		c := &w.cells[w.i]
		to := min(until, c.to)
		w.v.unknown(c, w.at, to)
		w.advance(c, to)
	}
}

func (w *walker) advance(c *cell, to int64) {
	w.at = to
	if to == c.to && w.i+1 < len(w.cells) {
		w.i++
	}
}

// merge puts chunks in order and makes one of those that overlap; where two
// gateways told of one moment, the one received first stands, as at the door.
func merge(chunks []Chunk) []Chunk {
	slices.SortStableFunc(chunks, func(a, b Chunk) int { return int(min(max(first(a)-first(b), -1), 1)) })
	var out []Chunk
	for _, c := range chunks {
		n := len(out)
		switch {
		case len(c.At) == 0:
		case n == 0 || out[n-1].At[len(out[n-1].At)-1] < c.At[0]:
			out = append(out, c)
		default:
			out[n-1] = interleave(out[n-1], c)
		}
	}
	return out
}

func first(c Chunk) int64 {
	if len(c.At) == 0 {
		return math.MinInt64
	}
	return c.At[0]
}

func interleave(a, b Chunk) Chunk {
	n := len(a.At) + len(b.At)
	out := Chunk{At: make([]int64, 0, n), Received: make([]int64, 0, n), Values: make([]float64, 0, n)}
	take := func(c *Chunk, i int) {
		if v := c.Values[i]; v == v {
			out.At, out.Received, out.Values = append(out.At, c.At[i]), append(out.Received, c.Received[i]), append(out.Values, v)
		}
	}
	i, j := 0, 0
	for i < len(a.At) || j < len(b.At) {
		switch {
		case j == len(b.At) || i < len(a.At) && before(&a, i, &b, j):
			take(&a, i)
			i++
		default:
			take(&b, j)
			j++
		}
	}
	return firstStands(out)
}

func before(a *Chunk, i int, b *Chunk, j int) bool {
	if a.At[i] != b.At[j] {
		return a.At[i] < b.At[j]
	}
	return a.Received[i] <= b.Received[j]
}

// firstStands drops further values of one moment.
func firstStands(c Chunk) Chunk {
	n := 0
	for i := range c.At {
		if n > 0 && c.At[n-1] == c.At[i] {
			continue
		}
		c.At[n], c.Received[n], c.Values[n] = c.At[i], c.Received[i], c.Values[i]
		n++
	}
	return Chunk{At: c.At[:n], Received: c.Received[:n], Values: c.Values[:n]}
}

// MergeChunks is for those who put an Input together from pieces that may
// overlap: several gateways, amendments.
func MergeChunks(chunks []Chunk) []Chunk { return merge(chunks) }
