package water

import (
	"math"
	"testing"
)

// A stream is a site whose pump runs once per unit of flow. One such cycle is 0.02 mm of
// runoff; the basin at the gauge is about 120 mi², so 1 cfs for an hour is 0.000328 mm.
const (
	creekMmPerCfsHour = 101.94 / 310.8e6 * 1000
	creekCycleMm      = 0.02
)

// seasons of the creek: learned from since to until, then rain alone; judged between from
// and to.
type seasons struct{ since, until, from, to Micros }

// bankFlow learns from rain and flow, then gets rain alone and predicts each hour's flow,
// cfs.
func bankFlow(hours []creekHour, s seasons) (out []float64) {
	r := NewResponse("flooded", s.since)
	r.Bank = newBank(math.Log(1/creekCycleMm), 0.02) // the basin's area is known
	r.Bank.Draws = devDraws
	carry := 0.0
	for _, h := range hours {
		switch {
		case h.at < s.since || h.at >= s.to:
		case h.at < s.until:
			carry = r.observe(h, carry)
		default:
			q := r.hour(h.rainMm) * creekCycleMm / creekMmPerCfsHour
			if h.at >= s.from {
				out = append(out, q)
			}
		}
	}
	return out
}

// observe an hour of rain and flow, the flow as evenly spaced cycles; what is left of a
// cycle is carried on.
func (r *Response) observe(h creekHour, carry float64) float64 {
	carry += math.Max(0, h.flowCfs) * creekMmPerCfsHour / creekCycleMm
	n := int(carry)
	for i := range n {
		r.Cycle(h.at + Micros(i+1)*microsPerHour/Micros(n+1))
	}
	r.Rain(h.at+microsPerHour, h.rainMm)
	return carry - float64(n)
}

// hour runs the bank over an hour of rain without learning; the cycles it expects.
func (r *Response) hour(rainMm float64) float64 {
	sum := 0.0
	for range 4 {
		r.Bank.step(rainMm/4, evaporationMm(r.Cell), 1)
		r.Cell += cellMicros
		sum += r.Bank.outflow() + r.Dry.perHour()*cellHours
	}
	return sum
}

// reservoirFlow is the baseline: one linear reservoir with a runoff coefficient and a
// constant base flow, the best of a grid by its efficiency on the training season.
func reservoirFlow(hours []creekHour, s seasons) []float64 {
	run := func(share, keepHours, baseCfs float64) (train, test, measured []float64) {
		store := 0.0
		for _, h := range hours {
			if h.at < s.since || h.at >= s.to {
				continue
			}
			store += share * h.rainMm
			out := store * (1 - math.Exp(-1/keepHours))
			store -= out
			q := baseCfs + out/creekMmPerCfsHour
			if h.at >= s.from {
				test = append(test, q)
			} else if h.at < s.until {
				train, measured = append(train, q), append(measured, h.flowCfs)
			}
		}
		return train, test, measured
	}
	best, out := math.Inf(-1), []float64(nil)
	for share := 0.05; share <= 0.6; share += 0.025 {
		for keep := 12.0; keep < 700; keep *= 1.25 {
			for base := 0.0; base <= 80; base += 20 {
				train, test, measured := run(share, keep, base)
				if e := efficiency(train, measured); e > best {
					best, out = e, test
				}
			}
		}
	}
	return out
}

// efficiency is that of Nash and Sutcliffe (1970): 1 − Σ(o − p)²/Σ(o − ō)²; hours without
// a measurement are left out.
func efficiency(predicted, measured []float64) float64 {
	n, mean := 0.0, 0.0
	for _, o := range measured {
		if o >= 0 {
			mean, n = mean+o, n+1
		}
	}
	mean /= n
	wrong, spread := 0.0, 0.0
	for i, o := range measured {
		if o >= 0 {
			wrong += (o - predicted[i]) * (o - predicted[i])
			spread += (o - mean) * (o - mean)
		}
	}
	return 1 - wrong/spread
}

// Measured rain and flow of Cedar Creek, Wisconsin (USGS, public domain): the bank that
// learned the summer of 2007 predicts the autumn from rain alone, and the one that
// learned the whole season predicts the spring of 2008, which follows a winter of snow
// that nobody told it of. Both have to beat one linear reservoir fitted to the same
// months. Measured: 0.632 against 0.444 and 0.797 against 0.412. The spring is a close run of
// few catchments: another rounding of their gains took it to 0.251, so it is no measure of
// how good the bank is in general.
func TestCreekAgainstOneReservoir(t *testing.T) {
	t.Parallel()
	hours := creek(t)
	day := func(s string) Micros { return micros(t, "2006-01-02", s) }
	for _, c := range []struct {
		name                   string
		since, until, from, to string
	}{
		{"autumn 2007 from its summer", "2007-05-01", "2007-08-15", "2007-08-15", "2007-11-01"},
		{"spring 2008 from 2007", "2007-05-01", "2007-11-01", "2008-05-01", "2008-07-01"},
	} {
		s := seasons{day(c.since), day(c.until), day(c.from), day(c.to)}
		var measured []float64
		for _, h := range hours {
			if h.at >= s.from && h.at < s.to {
				measured = append(measured, h.flowCfs)
			}
		}
		bank := efficiency(bankFlow(hours, s), measured)
		reservoir := efficiency(reservoirFlow(hours, s), measured)
		t.Logf("%s: efficiency of the bank %.3f, of one reservoir %.3f", c.name, bank, reservoir)
		if bank <= reservoir+0.05 {
			t.Errorf("%s: the bank does not beat one reservoir", c.name)
		}
	}
}
