package simulate_test

import (
	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

func (d *definer) minuteOf(ms int64) int {
	return int((ms - d.t.Start.UnixMilli()) / 60000)
}

func (d *definer) water() {
	if d.t.Property.Sump == nil {
		return
	}
	d.highWater()
	d.runOn()
	d.shortCycling()
	d.weak()
	d.backup()
	d.unexplained()
	d.silentInRain()
}

// wetSpans: on for 60 s, then off for 10 min, to the second.
func (d *definer) highWater() {
	if !d.measured(site.HighWater) {
		return
	}
	wet := make([]bool, d.n)
	e := d.t.HighWater
	on, since := false, int64(0)
	fill := func(from, to int64) {
		for i := max(d.minuteOf(from+60_000), 0); i < min(d.minuteOf(to), d.n); i++ {
			wet[i] = true
		}
	}
	for _, x := range e {
		if on && !x.On {
			fill(since, x.AtMS)
		}
		on, since = x.On, x.AtMS
	}
	if on {
		fill(since, d.t.At(d.n-1).UnixMilli()+60_000)
	}
	dry := newShares(wet)
	d.add(site.HighWaterAlarm, "", holdFunc(d.n, func(i int) bool { return wet[i] && d.t.Alive[i] }, func(i, raised int) bool {
		return i-10 >= raised && dry.count(i-10, i+1) == 0
	}))
}

// onShare of each minute that the primary pump ran, from its finished runs and
// the run under way at the end.
func (d *definer) onShare() []float64 {
	on := make([]float64, d.n+1)
	put := func(from, to int64) {
		for i := d.minuteOf(from); i <= d.minuteOf(to) && i < d.n; i++ {
			if i < 0 {
				continue
			}
			a := max(from, d.t.Start.UnixMilli()+int64(i)*60000)
			b := min(to, d.t.Start.UnixMilli()+int64(i+1)*60000)
			on[i] += float64(max(b-a, 0)) / 60000
		}
	}
	for _, c := range d.t.Cycles {
		put(c.StartMS, c.StartMS+int64(c.Seconds*1000))
	}
	if from, still := d.running(); still {
		put(from, d.t.At(d.n-1).UnixMilli())
	}
	return on[:d.n]
}

// running: the start of a run that had not ended when the record did.
func (d *definer) running() (fromMS int64, still bool) {
	if d.n == 0 || !d.t.PumpOn[d.n-1] {
		return 0, false
	}
	i := d.n - 1
	for i > 0 && d.t.PumpOn[i-1] {
		i--
	}
	return d.t.Start.UnixMilli() + int64(i)*60000, true
}

func (d *definer) runOn() {
	on := newMeans(d.onShare())
	long := make([]bool, d.n)
	mark := func(from int64, seconds float64) {
		for i := d.minuteOf(from + 600_000); i <= d.minuteOf(from+int64(seconds*1000)) && i < d.n; i++ {
			if i >= 0 {
				long[i] = true
			}
		}
	}
	for _, c := range d.t.Cycles {
		if c.Seconds > 600*(1+d.s.rmin) {
			mark(c.StartMS, c.Seconds)
		}
	}
	if from, still := d.running(); still && d.measured(site.PumpOn) {
		mark(from, float64(d.t.At(d.n-1).UnixMilli()-from)/1000)
	}
	d.add(site.PumpRunOn, "", holdFunc(d.n, func(i int) bool { return long[i] || i >= 60 && on.mean(i-60, i) > 0.5+d.s.rmin },
		func(i, raised int) bool { return i > raised && on.mean(i-60, i) < 0.2 && !d.t.PumpOn[i] }))
}

// drawDown of the healthy pump, from the record's twin: the median of its runs.
func (d *definer) drawDown() float64 {
	var runs []float64
	for _, c := range d.t.Twin {
		runs = append(runs, c.Seconds)
	}
	if len(runs) == 0 {
		return 0
	}
	return median(runs)
}

func (d *definer) shortCycling() {
	own := d.drawDown()
	if own == 0 {
		return
	}
	var short, all []int
	last := int64(-1 << 60)
	for _, c := range d.t.Cycles {
		i := d.minuteOf(c.StartMS) + 1
		all = append(all, i)
		if c.Seconds < 0.6*own*(1-d.s.rmin) || c.StartMS-last < int64(30_000*(1-d.s.rmin)) {
			short = append(short, i)
		}
		last = c.StartMS + int64(c.Seconds*1000)
	}
	n30, n60 := counts(short, d.n, 30), counts(all, d.n, 60)
	calm := counts(short, d.n, 60)
	d.add(site.PumpShortCycling, "", holdFunc(d.n, func(i int) bool { return n30[i] >= 5 || n60[i] > 60 }, func(i, raised int) bool {
		return i-60 >= raised && calm[i] == 0 && n60[i] <= 30
	}))
}

// counts of events in the trailing window of w minutes, for every minute.
func counts(at []int, n, w int) []int {
	out := make([]int, n+1)
	for _, i := range at {
		if i >= 0 && i < n {
			out[i]++
		}
	}
	sum := make([]int, n)
	running := 0
	for i := range n {
		running += out[i]
		if i-w >= 0 {
			running -= out[i-w]
		}
		sum[i] = running
	}
	return sum
}

// weak: five like cycles in a row at 1.5 × the baseline (commissioned, else the
// median of the first 20 like cycles once there are so many, else as built).
func (d *definer) weak() {
	last := int64(-1 << 60)
	base, open := d.drawDown(), -1
	commissioned := d.t.Property.Sump.CommissionedDrawDown.Seconds()
	if commissioned > 0 {
		base = commissioned
	}
	var first []float64
	slow, well := 0, 0
	for _, c := range d.t.Cycles {
		like := c.StartMS-last >= 600_000
		last = c.StartMS + int64(c.Seconds*1000)
		if !like {
			continue
		}
		if first = append(first, c.Seconds); len(first) == 20 && commissioned == 0 {
			base = median(first[:20:20])
		}
		slow, well = run(slow, c.Seconds >= (1.5+d.s.rmin)*base), run(well, c.Seconds <= 1.2*base)
		minute := min(d.minuteOf(last)+1, d.n-1)
		if open < 0 && slow >= 5 {
			d.out = append(d.out, episode{site.PumpWeak, "", span{minute, d.n}})
			open = len(d.out) - 1
		} else if open >= 0 && well >= 5 {
			d.out[open].to = minute
			open = -1
		}
	}
}

func run(n int, goes bool) int {
	if goes {
		return n + 1
	}
	return 0
}

func (d *definer) backup() {
	ran := make([]bool, d.n)
	for _, c := range d.t.Backup {
		ran[min(max(d.minuteOf(c.StartMS), 0), d.n-1)] = true
	}
	primary := make([]bool, d.n)
	for _, c := range d.t.Cycles {
		primary[min(max(d.minuteOf(c.StartMS), 0), d.n-1)] = true
	}
	b, p := newShares(ran), newShares(primary)
	d.add(site.BackupPumpRan, "", holdFunc(d.n, func(i int) bool { return ran[i] }, func(i, raised int) bool {
		return i-minutesADay >= raised && b.count(i-minutesADay, i+1) == 0 && p.count(raised, i+1) > 0
	}))
}

// knownRain per minute is what a gauge in order tells.
func (d *definer) knownRain() []float64 {
	rain := toFloat(d.t.RainMM)
	for _, f := range d.t.Faults {
		if f.Kind == simulate.GaugeBlocked {
			for i := d.t.Index(f.From); i < d.n && (f.Until.IsZero() || i < d.t.Index(f.Until)); i++ {
				rain[i] = 0
			}
		}
	}
	return rain
}

// unexplained: the day's pumped volume against the norm of the dry days before.
func (d *definer) unexplained() {
	s := d.t.Property.Sump
	storage := 3.14159265 / 4 * s.BasinDiameterM * s.BasinDiameterM * (s.FloatOnM - s.FloatOffM) * 1000
	var starts []int
	for _, c := range d.t.Cycles {
		starts = append(starts, d.minuteOf(c.StartMS)+1)
	}
	day, rain := counts(starts, d.n, minutesADay), newMeans(d.knownRain())
	norms := d.norms(starts, rain, storage)
	volume := func(i int) float64 { return float64(day[i]) * storage }
	d.add(site.WaterUnexplained, "", holdFunc(d.n, func(i int) bool {
		if i < 4*minutesADay || norms[i] == 0 {
			return false
		}
		dry := rain.mean(i-3*minutesADay, i)*3*minutesADay < 1
		return dry && volume(i) > 3*(1+d.s.rmin)*norms[i] && volume(i) >= (0.9+d.s.rmin/2)*volume(i-minutesADay)
	}, func(i, raised int) bool { return volume(i) < 1.5*norms[i] }))
}

// norms per minute: the median volume of the last 30 dry local days, at least 7.
func (d *definer) norms(starts []int, rain means, storage float64) []float64 {
	loc := zone(d.t.Property.Timezone)
	perDay := make([]int, d.n/minutesADay+3)
	dayOf := func(i int) int {
		_, off := d.t.At(i).In(loc).Zone()
		first := d.t.Start.Unix()
		return int((d.t.At(i).Unix()-60+int64(off))/86400 - (first-86400)/86400)
	}
	for _, i := range starts {
		if i < d.n {
			perDay[dayOf(i)]++
		}
	}
	norms := make([]float64, d.n)
	var dry []float64
	current, started := 0.0, 0
	for i := 1; i < d.n; i++ {
		if a, b := dayOf(i-1), dayOf(i); a != b {
			whole := i - started
			if whole >= minutesADay-61 && i >= 4*minutesADay && rain.mean(i-4*minutesADay, i)*4*minutesADay < 1 {
				dry = append(dry, float64(perDay[a])*storage)
			}
			started = i
			if n := len(dry); n >= 7 {
				current = max(40, median(append([]float64(nil), dry[max(0, n-30):]...)))
			}
		}
		norms[i] = current
	}
	return norms
}

func toFloat(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}

// silentInRain: since the pump's last run (or test) a healthy one would have
// made three; the episode ends with the next run. A call is allowed from the
// first run that a healthy pump would have made.
func (d *definer) silentInRain() {
	misses := d.missed()
	for _, m := range misses {
		switch {
		case d.s.rmin < 0 && len(m.runs) > 0:
			d.add(site.PumpSilentInRain, "", []span{{min(m.runs[0], d.n-1), m.until}})
		case d.s.rmin >= 0 && len(m.runs) >= 3:
			d.add(site.PumpSilentInRain, "", []span{{min(m.runs[2]+1, d.n-1), m.until}})
		}
	}
}

// powerless: the loss of the pump's power is told, and explains the silence.
func (d *definer) powerless(i int) bool {
	return d.measured(site.Mains) && !d.t.Mains["pump"][i]
}

// silence is a stretch between two runs of the pump with the runs that a
// healthy pump would have made in it, by rain.
type silence struct {
	from, until int
	runs        []int
}

func (d *definer) missed() []silence {
	var out []silence
	cur := silence{from: 0}
	rain := newMeans(toFloat(d.t.RainMM))
	k := 0
	ends := append([]simulate.Cycle(nil), d.t.Cycles...)
	for _, c := range append(ends, simulate.Cycle{StartMS: d.t.At(d.n - 1).UnixMilli()}) {
		cur.until = min(d.minuteOf(c.StartMS), d.n)
		for ; k < len(d.t.Twin) && d.t.Twin[k].StartMS < c.StartMS-60_000; k++ {
			i := d.minuteOf(d.t.Twin[k].StartMS)
			if i < d.n && !d.t.PumpOn[i] && !d.powerless(i) && rain.mean(i-2*minutesADay, i)*2*minutesADay > 2 {
				cur.runs = append(cur.runs, i)
			}
		}
		for ; k < len(d.t.Twin) && d.t.Twin[k].StartMS < c.StartMS+60_000; k++ {
			continue // the same run
		}
		out = append(out, cur)
		cur = silence{from: d.minuteOf(c.StartMS)}
	}
	return out
}
