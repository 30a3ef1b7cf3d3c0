package simulate_test

import (
	"time"

	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

// The conditions' definitions, worked out a second time from the noise-free
// record, so that the evaluator is not its own judge. Everything here runs on
// minutes; index i is the end of minute i of the record.

// span of a condition that holds: raised at minute from, cleared at minute to
// (the record's length while it still holds).
type span struct{ from, to int }

// episode is one span of one condition at one point.
type episode struct {
	condition site.Condition
	point     string
	span
}

// slack moves every limit: positive makes conditions harder to meet (what is
// left is beyond any doubt of the sensors), negative easier (what a sensor
// within its stated accuracy may call).
type slack struct {
	rh, temp, margin, wood, ratio, mold float64
	rmin                                float64 // share of the ratio limits on runs and volumes
}

var (
	strict  = slack{}
	certain = slack{rh: 1.6, temp: 0.35, margin: 0.6, wood: 0.6, ratio: 0.06, rmin: 0.1, mold: 0.15}
	allowed = slack{rh: -2.2, temp: -0.45, margin: -0.9, wood: -0.8, ratio: -0.08, rmin: -0.2, mold: -0.3}
)

// shares answers "how much of the window (i-w, i] is marked" in one step.
type shares struct{ sum []int32 }

func newShares(mark []bool) shares {
	s := shares{make([]int32, len(mark)+1)}
	for i, m := range mark {
		s.sum[i+1] = s.sum[i]
		if m {
			s.sum[i+1]++
		}
	}
	return s
}

func (s shares) count(from, to int) int { // minutes from..to-1
	from = max(from, 0)
	return int(s.sum[to] - s.sum[from])
}

// windowed holds the marks of one condition with the minutes that were covered.
type windowed struct {
	mark    []bool
	n, good shares
}

func newWindowed(mark, covered []bool) windowed {
	both := make([]bool, len(mark))
	for i := range mark {
		both[i] = mark[i] && (covered == nil || covered[i])
	}
	w := windowed{mark: both, n: newShares(both)}
	if covered == nil {
		covered = make([]bool, len(mark))
		for i := range covered {
			covered[i] = true
		}
	}
	w.good = newShares(covered)
	return w
}

// sustained: marked at the start and the end of the trailing window, for at
// least 90 % of its covered time, and at least 80 % covered.
func (w windowed) sustained(i, window int) bool {
	from := i - window
	if from < 0 || !w.mark[i] || !w.mark[from] {
		return false
	}
	good := w.good.count(from, i)
	return good*10 >= window*8 && w.n.count(from, i)*10 >= good*9
}

// hold walks a record: raised when up is sustained for upFor minutes, cleared
// when down is sustained for downFor.
func hold(up windowed, upFor int, down windowed, downFor int) []span {
	return holdFunc(len(up.mark), func(i int) bool { return up.sustained(i, upFor) }, func(i, raised int) bool {
		return i-downFor >= raised && down.sustained(i, downFor)
	})
}

func holdFunc(n int, raise func(i int) bool, clear func(i, raised int) bool) []span {
	var out []span
	for i := 0; i < n; i++ {
		if !raise(i) {
			continue
		}
		s := span{i, n}
		for j := i + 1; j < n; j++ {
			if clear(j, i) {
				s.to = j
				break
			}
		}
		out = append(out, s)
		i = s.to
	}
	return out
}

func marks(n int, f func(i int) bool) []bool {
	out := make([]bool, n)
	for i := range out {
		out[i] = f(i)
	}
	return out
}

const (
	minutesAnHour = 60
	minutesADay   = 1440
)

// truths lists every episode of every condition that the record calls for.
func truths(t *simulate.Truth, s slack) []episode {
	d := &definer{t: t, s: s, n: t.Len()}
	d.restUntil = d.restEnd()
	d.air()
	d.surfaces()
	d.wood()
	d.dryer()
	d.outdoorAir()
	d.power()
	d.comms()
	d.sensors()
	d.water()
	return d.out
}

// definer gathers the episodes of one record.
type definer struct {
	t   *simulate.Truth
	s   slack
	n   int
	out []episode

	restUntil int
}

func (d *definer) add(c site.Condition, point string, spans []span) {
	for _, s := range spans {
		d.out = append(d.out, episode{c, point, s})
	}
}

// covered minutes of a point: the gateway measured and the point spoke.
func (d *definer) covered(point string) []bool {
	quiet := d.t.Quiet[point]
	return marks(d.n, func(i int) bool { return d.t.Alive[i] && !(quiet != nil && quiet[i]) })
}

// resting says whether a minute lies in the drying-out time.
func (d *definer) resting(i int) bool { return i < d.restUntil }

// restEnd is the first minute after the drying-out time.
func (d *definer) restEnd() int {
	p := d.t.Property
	start := time.Date(p.Installed.Year, p.Installed.Month, p.Installed.Day, 0, 0, 0, 0, zone(p.Timezone))
	return int(start.Add(p.Commissioning).Sub(d.t.Start).Minutes()) - 1
}

func zone(name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		panic(err) // a test's own property
	}
	return loc
}

// point finds the description of a point.
func (d *definer) point(id string) site.Point {
	for _, pt := range d.t.Property.Points {
		if pt.ID == id {
			return pt
		}
	}
	return site.Point{}
}
