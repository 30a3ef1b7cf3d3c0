package load

import (
	"cmp"
	"slices"
	"time"

	"underkeep/store/site"
)

// Flood is a stretch in which alarms came faster than a person can answer.
type Flood struct {
	From, To time.Time
	Alarms   int  // in it
	Ended    bool // false: it lasted to the end of the period
}

// Floods finds the floods among sorted times of annunciation, up to end. A flood
// starts as the rate exceeds ten alarms per operator in ten minutes and ends
// when it falls below five (ISA-18.2).
//
// The start is found in rolling windows, so that a burst astride a clock tick
// is one all the same: the flood begins with the first of the alarms that, with
// those of the ten minutes from it on, are more than ten. From there it is
// followed in whole intervals, the first being that of the burst: it ends with
// the first interval of ten minutes that has fewer than five, at the start of
// that interval, for then the rate had fallen.
func Floods(times []time.Time, end time.Time, operators int) []Flood {
	operators = max(operators, 1)
	above, below := FloodAbove*operators, FloodEndBelow*operators
	var out []Flood
	for i := 0; i+above < len(times); {
		if times[i+above].Sub(times[i]) >= Interval {
			i++
			continue
		}
		f := Flood{From: times[i], To: end}
		i = f.follow(times, i, below)
		out = append(out, f)
	}
	return out
}

// follow runs a flood that begins with alarm i to its end and returns the first
// alarm behind it.
func (f *Flood) follow(times []time.Time, i, below int) int {
	for start := f.From; start.Before(f.To); start = start.Add(Interval) {
		n := i
		for n < len(times) && times[n].Before(start.Add(Interval)) {
			n++
		}
		if n-i < below && !start.Add(Interval).After(f.To) {
			f.To, f.Ended = start, true
			return i
		}
		f.Alarms += n - i
		i = n
	}
	return i
}

type source struct {
	property  string
	condition site.Condition
	point     string
}

// rank finds the alarms that come most often and those that chatter.
func (r *Report) rank(shown []Alarm) {
	times := map[source][]time.Time{}
	for _, a := range shown {
		k := source{a.Property, a.Condition, a.Point}
		times[k] = append(times[k], a.KnownAt)
	}
	var all []Count
	for k, ts := range times {
		c := Count{k.property, k.condition, k.point, len(ts)}
		all = append(all, c)
		if chatters(ts) {
			r.Chattering = append(r.Chattering, c)
		}
	}
	slices.SortFunc(all, mostFirst)
	slices.SortFunc(r.Chattering, mostFirst)
	r.TopTen = slices.Clip(all[:min(len(all), 10)])
}

func mostFirst(a, b Count) int {
	return cmp.Or(cmp.Compare(b.Alarms, a.Alarms), cmp.Compare(a.Property, b.Property),
		cmp.Compare(a.Condition, b.Condition), cmp.Compare(a.Point, b.Point))
}

// chatters says whether sorted times hold ChatterCount within ChatterWithin.
func chatters(times []time.Time) bool {
	for i := ChatterCount - 1; i < len(times); i++ {
		if times[i].Sub(times[i-ChatterCount+1]) < ChatterWithin {
			return true
		}
	}
	return false
}
