package region

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Join finds the events among call-outs. usual is the rate of each family, per
// house and hour. Events come by time of their first call-out.
func Join(f *Fleet, callOuts []CallOut, usual map[Family]float64) []Event {
	var out []Event
	for _, family := range Families() {
		var order []int
		for i := range callOuts {
			if callOuts[i].Family == family {
				order = append(order, i)
			}
		}
		if len(order) < LeastHouses {
			continue
		}
		slices.SortFunc(order, func(a, b int) int {
			x, y := &callOuts[a], &callOuts[b]
			return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.House, y.House), cmp.Compare(x.ID, y.ID))
		})
		j := joiner{fleet: f, scales: &scalesOf[family], rate: usual[family], family: family}
		j.take(callOuts, order)
		out = append(out, j.events(callOuts)...)
	}
	slices.SortStableFunc(out, func(a, b Event) int { return a.Since.Compare(b.Since) })
	return out
}

// joiner works on the call-outs of one family, by time.
type joiner struct {
	fleet  *Fleet
	scales *scales
	family Family
	rate   float64
	chords []float64 // squares, one a radius

	index   []int   // of each in what was handed in
	house   []int   // of each
	at, end []int64 // Unix µs; end bounded by lastingReach
	kernels []kernel
	parent  []int

	seen  []int32 // by house: the call-out for which it was last counted
	stamp int32
}

// kernel is how a call-out is more than chance; place < 0 when it is not.
type kernel struct {
	span  int64
	place int // index into the radii, or one of the groups behind them
	why   Chance
}

// The places of reach behind the radii.
const (
	byArea = 100 + iota
	byZone
	byFleet
)

func (j *joiner) take(callOuts []CallOut, order []int) {
	for _, km := range j.scales.radiusKm {
		j.chords = append(j.chords, chord2(km))
	}
	longest := lastingReach.Microseconds()
	for _, i := range order {
		c := &callOuts[i]
		at := c.At.UnixMicro()
		end := at + longest
		if !c.End.IsZero() {
			end = max(at, min(end, c.End.UnixMicro()))
		}
		j.index, j.house, j.at, j.end = append(j.index, i), append(j.house, c.House), append(j.at, at), append(j.end, end)
	}
	j.seen = make([]int32, j.fleet.Houses())
	j.kernels = make([]kernel, len(j.at))
	first := 0
	for i := range j.at {
		for j.at[first] < j.at[i]-j.scales.spans[1].Microseconds() {
			first++
		}
		j.kernels[i] = j.judge(i, first)
	}
}

// tally counts other houses with a call-out in a span, by place.
type tally struct {
	radius            [8]int
	area, zone, fleet int
}

// judge looks for the scale at which the company of call-out i is the least
// likely to be chance. first is the first call-out in the wide span.
func (j *joiner) judge(i, first int) kernel {
	j.stamp++
	j.seen[j.house[i]] = j.stamp
	best := kernel{place: -1, why: Chance{Probability: math.Inf(1)}}
	var found tally
	for _, span := range j.scales.spans {
		j.count(i, first, span.Microseconds(), &found)
		j.weigh(i, span, &found, &best)
	}
	return best
}

// count adds the houses within the span that were not counted before.
func (j *joiner) count(i, first int, span int64, found *tally) {
	a := j.fleet.groups[j.house[i]]
	for k := first; k < len(j.at) && j.at[k] <= j.at[i]+span; k++ {
		h := j.house[k]
		if j.at[k] < j.at[i]-span || j.seen[h] == j.stamp {
			continue
		}
		j.seen[h] = j.stamp
		found.fleet++
		b := j.fleet.groups[h]
		if a.area != 0 && a.area == b.area {
			found.area++
		}
		if a.zone != 0 && a.zone == b.zone {
			found.zone++
		}
		if r := j.ring(j.house[i], h); r >= 0 {
			found.radius[r]++
		}
	}
}

// ring is the least radius that spans two houses, -1 for none.
func (j *joiner) ring(a, b int) int {
	if !j.fleet.places[a].Located || !j.fleet.places[b].Located {
		return -1
	}
	d := j.fleet.at[a].chord2(&j.fleet.at[b])
	for r, most := range j.chords {
		if d <= most {
			return r
		}
	}
	return -1
}

// weigh tests each place of reach.
func (j *joiner) weigh(i int, span time.Duration, found *tally, best *kernel) {
	h := j.house[i]
	g := &j.fleet.groups[h]
	test := func(place, others, houses int, km float64) {
		if others+1 < LeastHouses {
			return
		}
		p := -math.Expm1(-j.rate * 2 * span.Hours())
		why := Chance{Houses: others + 1, InReach: houses, ReachKm: km, Span: 2 * span, Expected: p * float64(houses-1),
			Probability: AtLeast(others, houses-1, p), RatePerYear: j.rate * 8766}
		if why.Probability > MostChance || why.Expected > mostByChance*float64(others+1) {
			return
		}
		// With equal probability (both 0) the one with more houses.
		if why.Probability < best.why.Probability || why.Probability == best.why.Probability && why.Houses > best.why.Houses {
			*best = kernel{span.Microseconds(), place, why}
		}
	}
	others := 0
	for r, km := range j.scales.radiusKm {
		if others += found.radius[r]; others+1 >= LeastHouses {
			test(r, others, j.fleet.within(h, j.family, j.chords)[r], km)
		}
	}
	if g.area != 0 {
		test(byArea, found.area, j.fleet.size[g.area], 0)
	}
	if g.zone != 0 {
		test(byZone, found.zone, j.fleet.size[g.zone], 0)
	}
	if j.scales.fleet {
		test(byFleet, found.fleet, j.fleet.Houses(), 0)
	}
}

// reaches says whether call-out k stands within the place of kernel i.
func (j *joiner) reaches(i, k int) bool {
	a, b := j.house[i], j.house[k]
	switch place := j.kernels[i].place; place {
	case byArea:
		return j.fleet.groups[a].area == j.fleet.groups[b].area
	case byZone:
		return j.fleet.groups[a].zone == j.fleet.groups[b].zone
	case byFleet:
		return true
	default:
		r := j.ring(a, b)
		return r >= 0 && r <= place
	}
}

func (j *joiner) root(i int) int {
	for j.parent[i] != i {
		j.parent[i] = j.parent[j.parent[i]]
		i = j.parent[i]
	}
	return i
}

// link joins kernels in reach of each other, and finds for every other
// call-out the kernel that it belongs to, -1 for none.
func (j *joiner) link() []int {
	n := len(j.at)
	j.parent = make([]int, n)
	belongs, away := make([]int, n), make([]int64, n)
	for i := range n {
		j.parent[i], belongs[i], away[i] = i, -1, math.MaxInt64
	}
	for i := range n {
		kn := &j.kernels[i]
		if kn.place < 0 {
			continue
		}
		first, _ := slices.BinarySearch(j.at, j.at[i]-kn.span)
		for k := first; k < n && j.at[k] <= j.end[i]+kn.span; k++ {
			if k == i {
				continue
			}
			if j.kernels[k].place >= 0 {
				if a, b := j.root(i), j.root(k); a != b && j.reaches(i, k) {
					j.parent[max(a, b)] = min(a, b)
				}
				continue
			}
			if d := abs(j.at[k] - j.at[i]); d < away[k] && j.reaches(i, k) {
				belongs[k], away[k] = i, d
			}
		}
	}
	return belongs
}

func abs(x int64) int64 { return max(x, -x) }

// events are the sets of linked kernels with what belongs to them.
func (j *joiner) events(callOuts []CallOut) []Event {
	belongs := j.link()
	sets := map[int][]int{}
	var roots []int
	for i := range j.at {
		r := -1
		switch {
		case j.kernels[i].place >= 0:
			r = j.root(i)
		case belongs[i] >= 0:
			r = j.root(belongs[i])
		}
		if r < 0 {
			continue
		}
		if sets[r] == nil {
			roots = append(roots, r)
		}
		sets[r] = append(sets[r], i)
	}
	var out []Event
	for _, r := range roots {
		out = append(out, j.event(callOuts, sets[r]))
	}
	return out
}

func (j *joiner) event(callOuts []CallOut, set []int) Event {
	e := Event{Family: j.family, Why: Chance{Probability: math.Inf(1)}}
	var houses []int
	mains, rain := 0, 0
	open := false
	for _, i := range set {
		c := &callOuts[j.index[i]]
		e.Members = append(e.Members, j.index[i])
		houses = append(houses, c.House)
		if e.Since.IsZero() || c.At.Before(e.Since) {
			e.Since = c.At
		}
		open = open || c.End.IsZero()
		if c.End.After(e.Until) {
			e.Until = c.End
		}
		if c.Mains {
			mains++
		}
		if c.Rain {
			rain++
		}
		if w := j.kernels[i].why; j.kernels[i].place >= 0 && (w.Probability < e.Why.Probability || w.Probability == e.Why.Probability && w.Houses > e.Why.Houses) {
			e.Why = w
		}
	}
	if open {
		e.Until = time.Time{}
	}
	slices.Sort(houses)
	houses = slices.Compact(houses)
	e.Houses = len(houses)
	e.Lat, e.Lon, e.RadiusKm, e.Located = j.fleet.middle(houses)
	e.Kind = kindOf(j.family, mains, rain, len(set))
	return e
}

// kindOf takes what a fifth or more of the call-outs say: most gateways die
// with the mains and cannot tell, and few alarms of the water name the rain.
func kindOf(f Family, mains, rain, all int) Kind {
	switch {
	case f == Outage && 5*mains >= all:
		return MainsLost
	case f == Outage:
		return GatewaySilent
	case f == Water && 5*rain >= all:
		return Storm
	case f == Water:
		return HighWater
	}
	return ColdSpell
}
