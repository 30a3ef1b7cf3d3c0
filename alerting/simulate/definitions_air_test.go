package simulate_test

import (
	"math"
	"slices"

	"underkeep/store/site"
)

// Formulas of the judge, apart from the model's and the evaluator's: the
// Magnus form of Alduchov and Eskridge (1996), 610.94 Pa, 17.625, 243.04 °C.
func judgeSaturation(t float64) float64 { return 610.94 * math.Exp(17.625*t/(243.04+t)) }

func judgeDewPoint(rh, t float64) float64 {
	g := math.Log(math.Max(rh, 0.1)/100) + 17.625*t/(243.04+t)
	return 243.04 * g / (17.625 - g)
}

// judgeEMC is the Wood Handbook's equation 4-5 in Celsius (FPL-GTR-190, 2010).
func judgeEMC(rh, t float64) float64 {
	h := rh / 100
	w := 349 + 1.29*t + 0.0135*t*t
	k := 0.805 + 0.000736*t - 0.00000273*t*t
	k1 := 6.27 - 0.00938*t - 0.000303*t*t
	k2 := 1.91 + 0.0407*t - 0.000293*t*t
	kh := k * h
	return 1800 / w * (kh/(1-kh) + (k1*kh+2*k1*k2*kh*kh)/(1+k1*kh+k1*k2*kh*kh))
}

func (d *definer) air() {
	for _, id := range d.t.AirPoints() {
		a, cov := d.t.Air[id], d.covered(id)
		rh := func(i int) float64 { return float64(a.SaysRH[i]) }
		over := newWindowed(marks(d.n, func(i int) bool { return rh(i) > 60+d.s.rh && !d.resting(i) }), cov)
		under := newWindowed(marks(d.n, func(i int) bool { return rh(i) < 57+d.s.rh }), cov)
		high := hold(over, 6*60, under, 3*60)
		d.add(site.HumidityHigh, id, high)

		off := newWindowed(marks(d.n, func(i int) bool { return (rh(i) > 55+d.s.rh || rh(i) < 30-d.s.rh) && !d.resting(i) }), cov)
		in := newWindowed(marks(d.n, func(i int) bool { return rh(i) <= 55+d.s.rh && rh(i) >= 30-d.s.rh }), cov)
		d.add(site.HumidityDrift, id, hold(off, 7*minutesADay, in, minutesADay))

		cold := newWindowed(marks(d.n, func(i int) bool { return float64(a.SaysTempC[i]) < 4-d.s.temp }), cov)
		mild := newWindowed(marks(d.n, func(i int) bool { return float64(a.SaysTempC[i]) > 6-d.s.temp }), cov)
		d.add(site.FreezeRisk, id, hold(cold, 60, mild, 60))
		d.mold(id)
	}
}

func (d *definer) surfaces() {
	for id, surface := range d.t.Surface {
		pt := d.point(id)
		a := d.t.Air[pt.Air]
		if a == nil {
			continue
		}
		margin := make([]float64, d.n)
		for i := range margin {
			margin[i] = float64(surface[i]) - judgeDewPoint(float64(a.SaysRH[i]), float64(a.SaysTempC[i])) + d.s.margin
		}
		cov := d.covered(id)
		near := newWindowed(marks(d.n, func(i int) bool { return margin[i] < 2 }), cov)
		wet := newWindowed(marks(d.n, func(i int) bool { return margin[i] <= 0 }), cov)
		dry := newWindowed(marks(d.n, func(i int) bool { return margin[i] > 3 }), cov)
		d.add(site.CondensationRisk, id, holdFunc(d.n, func(i int) bool { return near.sustained(i, 60) || wet.sustained(i, 30) },
			func(i, raised int) bool { return i-60 >= raised && dry.sustained(i, 60) }))
	}
}

func (d *definer) wood() {
	type series struct {
		point string
		pct   []float64
	}
	var all []series
	for id, w := range d.t.Wood {
		pct := make([]float64, d.n)
		for i := range pct {
			pct[i] = float64(w[i])
		}
		all = append(all, series{id, pct})
	}
	if len(all) == 0 {
		for _, id := range d.t.AirPoints() {
			all = append(all, series{id, d.laggedEMC(id)})
		}
	}
	for _, s := range all {
		over := newWindowed(marks(d.n, func(i int) bool { return s.pct[i] > 16+d.s.wood && !d.resting(i) }), d.covered(s.point))
		under := newWindowed(marks(d.n, func(i int) bool { return s.pct[i] < 15+d.s.wood }), d.covered(s.point))
		d.add(site.WoodWet, s.point, hold(over, minutesADay, under, minutesADay))
	}
}

func (d *definer) laggedEMC(id string) []float64 {
	a := d.t.Air[id]
	out := make([]float64, d.n)
	v := judgeEMC(float64(a.SaysRH[0]), float64(a.SaysTempC[0]))
	for i := range out {
		v += (judgeEMC(float64(a.SaysRH[i]), float64(a.SaysTempC[i])) - v) / (10 * minutesADay)
		out[i] = v
	}
	return out
}

// mold runs the VTT index of the sensitive class with decline 0.1 by the hour
// (Hukka and Viitanen 1999; class constants of Ojanen et al. 2010).
func (d *definer) mold(id string) {
	a := d.t.Air[id]
	index := make([]float64, d.n)
	m, dryH := 0.0, 0.0
	for i := range index {
		if i%minutesAnHour == 0 && !d.resting(i) {
			m, dryH = moldHour(m, dryH, float64(a.SaysRH[i]), float64(a.SaysTempC[i]))
		}
		index[i] = m
	}
	d.add(site.MoldRisk, id, holdFunc(d.n, func(i int) bool { return index[i] >= 1+d.s.mold }, func(i, _ int) bool { return index[i] < 0.7+d.s.mold }))
}

func moldHour(m, dryH, rh, t float64) (float64, float64) {
	crit := 100.0
	if t > 0 {
		crit = 80
		if t <= 20 {
			crit = math.Max(80, -0.00267*t*t*t+0.160*t*t-3.13*t+100)
		}
	}
	if t <= 0 || t >= 50 || rh < crit || crit >= 100 {
		dryH++
		rate := -0.000667
		if dryH <= 6 {
			rate = -0.00133
		} else if dryH <= 24 {
			rate = 0
		}
		return math.Max(0, m+0.1*rate), dryH
	}
	x := (crit - rh) / (crit - 100)
	most := 0.3 + 6*x - x*x
	k1 := 0.578
	if m >= 1 {
		k1 = 0.386
	}
	k2 := math.Max(1-math.Exp(2.3*(m-most)), 0)
	weeks := math.Exp(-0.68*math.Log(t) - 13.9*math.Log(rh) + 66.02)
	return m + k1*k2/(168*weeks), 0
}

// spaceRH is the median of what the indoor points say.
func (d *definer) spaceRH() []float64 {
	ids := d.t.AirPoints()
	out := make([]float64, d.n)
	buf := make([]float64, len(ids))
	for i := range out {
		for k, id := range ids {
			buf[k] = float64(d.t.Air[id].SaysRH[i])
		}
		out[i] = median(buf)
	}
	return out
}

func median(x []float64) float64 {
	slices.Sort(x)
	if n := len(x); n%2 == 0 {
		return (x[n/2-1] + x[n/2]) / 2
	}
	return x[len(x)/2]
}

func (d *definer) dryer() {
	dh := d.t.Property.Dehumidifier
	if dh == nil {
		return
	}
	rh := d.spaceRH()
	above := marks(d.n, func(i int) bool { return rh[i] > dh.SetpointRHPct+8+d.s.rh })
	over := newWindowed(above, d.t.Alive)
	rest := newWindowed(marks(d.n, func(i int) bool { return rh[i] > dh.SetpointRHPct+8+d.s.rh && !d.resting(i) }), d.t.Alive)
	back := newWindowed(marks(d.n, func(i int) bool { return rh[i] < dh.SetpointRHPct+5+d.s.rh }), d.t.Alive)
	clear := func(i, raised int) bool { return i-180 >= raised && back.sustained(i, 180) }
	if d.measured(site.DehumidifierPower) {
		low := newShares(marks(d.n, func(i int) bool { return d.t.DryW[i] < 30 }))
		d.add(site.DehumidifierIdle, "", holdFunc(d.n, func(i int) bool {
			return over.sustained(i, 360) && low.count(i-360, i) >= 324
		}, clear))
		running := newShares(marks(d.n, func(i int) bool { return d.t.DryW[i] > 30 }))
		d.add(site.DehumidifierWeak, "", holdFunc(d.n, func(i int) bool {
			return rest.sustained(i, minutesADay) && running.count(i-minutesADay, i) >= minutesADay*9/10
		}, clear))
		return
	}
	vapour := newMeans(d.spaceVapour())
	d.add(site.DehumidifierIdle, "", holdFunc(d.n, func(i int) bool {
		if !over.sustained(i, 360) {
			return false
		}
		first, last := vapour.mean(i-360, i-300), vapour.mean(i-60, i)
		return (first-last)/first < 0.02-d.s.ratio/4
	}, clear))
}

func (d *definer) spaceVapour() []float64 {
	ids := d.t.AirPoints()
	out := make([]float64, d.n)
	buf := make([]float64, len(ids))
	for i := range out {
		for k, id := range ids {
			a := d.t.Air[id]
			buf[k] = float64(a.SaysRH[i]) / 100 * judgeSaturation(float64(a.SaysTempC[i]))
		}
		out[i] = median(buf)
	}
	return out
}

// means answers the mean of a window in one step.
type means struct{ sum []float64 }

func newMeans(x []float64) means {
	m := means{make([]float64, len(x)+1)}
	for i, v := range x {
		m.sum[i+1] = m.sum[i] + v
	}
	return m
}

func (m means) mean(from, to int) float64 {
	from = max(from, 0)
	return (m.sum[to] - m.sum[from]) / float64(max(to-from, 1))
}

// outdoorAir: by the hour, vapour inside against outside over 72 h with every
// lag up to 3 h.
func (d *definer) outdoorAir() {
	var outside []float64
	for _, a := range d.t.Air {
		if a.Outdoors {
			outside = make([]float64, d.n)
			for i := range outside {
				outside[i] = float64(a.SaysRH[i]) / 100 * judgeSaturation(float64(a.SaysTempC[i]))
			}
		}
	}
	if outside == nil {
		return
	}
	in, out := hourly(newMeans(d.spaceVapour()), d.n), hourly(newMeans(outside), d.n)
	met := marks(len(in), func(h int) bool { return h >= 75 && follows(in[h-71:h+1], out, h, d.s.ratio) })
	spans := holdFunc(len(met), func(h int) bool { return met[h] }, func(h, raised int) bool {
		for k := max(raised, h-71); k <= h; k++ {
			if met[k] {
				return false
			}
		}
		return h-raised >= 72
	})
	for i := range spans {
		spans[i] = span{(spans[i].from + 1) * 60, min((spans[i].to+1)*60, d.n)}
	}
	d.add(site.OutdoorAirEntering, "", spans)
}

func hourly(m means, n int) []float64 {
	out := make([]float64, n/60)
	for h := range out {
		out[h] = m.mean(h*60, h*60+60)
	}
	return out
}

// follows: the best of the lags 0-3 h must reach correlation and slope, the
// outdoors swinging by 150 Pa.
func follows(in, out []float64, h int, ratio float64) bool {
	for lag := 0; lag <= 3; lag++ {
		o := out[h-71-lag : h+1-lag]
		r, slope, sd := regress(o, in)
		if sd >= 150 && r >= 0.8+ratio && slope >= 0.5+ratio {
			return true
		}
	}
	return false
}

func regress(x, y []float64) (r, slope, sdX float64) {
	n := float64(len(x))
	var mx, my float64
	for i := range x {
		mx, my = mx+x[i]/n, my+y[i]/n
	}
	var xx, xy, yy float64
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		xx, xy, yy = xx+dx*dx, xy+dx*dy, yy+dy*dy
	}
	if xx == 0 || yy == 0 {
		return 0, 0, 0
	}
	return xy / math.Sqrt(xx*yy), xy / xx, math.Sqrt(xx / n)
}

func (d *definer) measured(q site.Quantity) bool {
	for _, pt := range d.t.Property.Points {
		if slices.Contains(pt.Measures, q) {
			return true
		}
	}
	return false
}
