package ingest

import (
	"fmt"
	"math"
	"strings"
	"time"
)

const silentFile = "limits: {humidity-high: off, humidity-drift: off, mold-risk: off, wood-wet: off, sensor-suspect: off, point-silent: off"

// edgeCases stand at the edges of what the words of the conditions leave open:
// shares of covered time, what outlives its cause, several gateways.
func edgeCases() []contractCase {
	var all []contractCase
	for _, group := range [][]contractCase{coverageCases(), outdoorCases(), outliveCases(), gatewayCases(), pumpEdgeCases(), offCases()} {
		all = append(all, group...)
	}
	return all
}

// play records values one after the other, each until the moment behind it; nil
// is a gap.
func (tp *tape) play(from, step time.Duration, name string, parts ...any) {
	for i := 0; i < len(parts); i += 2 {
		to := parts[i+1].(time.Duration)
		if parts[i] != nil {
			tp.every(from, to, step, name, parts[i])
		}
		from = to
	}
}

// A share of 59 or 61 min in 10 h, and coverage about 80 %, for the sustained
// conditions whose windows are long enough to have edges.
func coverageCases() []contractCase {
	freeze := tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n  - {id: a, measures: [air-temp], every: 1m}\n" + silentFile + "}\n"
	cold := func(parts ...any) func(*tape) {
		return func(tp *tape) {
			tp.beat(-2*h, 6*h)
			tp.every(-2*h, 0, m, "a/air-temp", 8)
			tp.play(0, m, "a/air-temp", parts...)
		}
	}
	wood := tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n  - {id: sill, measures: [wood-moisture], every: 10m}\nlimits: {humidity-drift: off, sensor-suspect: off, point-silent: off}\n"
	wet := func(parts ...any) func(*tape) {
		return func(tp *tape) {
			tp.beat(-2*h, 60*h)
			tp.every(-2*h, 0, 10*m, "sill/wood-moisture", 12)
			tp.play(0, 10*m, "sill/wood-moisture", parts...)
		}
	}
	return []contractCase{
		{"freeze: 59 min", freeze, cold(3.9, 59*m, 8, 6*h), nil},
		{"freeze: 60 min", freeze, cold(3.9, 60*m, 8, 6*h), nil}, // at 60 min the value is above again
		{"freeze: 61 min", freeze, cold(3.9, 61*m, 8, 6*h), []string{"freeze-risk a high 1h0m0s/1h0m0s/2h1m0s"}},
		// 6 min of 60 are 10 %: beyond for 90 % of the time
		{"freeze: 6 min of relief", freeze, cold(3.9, 20*m, 8, 26*m, 3.9, 61*m, 8, 6*h), []string{"freeze-risk a high 1h0m0s/1h0m0s/2h1m0s"}},
		{"freeze: 7 min of relief", freeze, cold(3.9, 20*m, 8, 27*m, 3.9, 61*m, 8, 6*h), nil},
		// the last reading at 19 min holds till 21: silent till 33 is 12 min = 20 %
		{"freeze: 80 % covered", freeze, cold(3.9, 20*m, nil, 33*m, 3.9, 61*m, 8, 6*h), []string{"freeze-risk a high 1h0m0s/1h0m0s/2h1m0s"}},
		{"freeze: 78 % covered", freeze, cold(3.9, 20*m, nil, 34*m, 3.9, 61*m, 8, 6*h), nil},
		// 140 min of 24 h are 9.7 %, 150 are 10.4 %
		{"wood: 140 min dry in a day", wood, wet(17, 10*h, 12, 12*h+20*m, 17, 24*h+10*m, 12, 60*h), []string{"wood-wet sill low 24h0m0s/24h0m0s/48h10m0s"}},
		{"wood: 150 min dry in a day", wood, wet(17, 10*h, 12, 12*h+30*m, 17, 24*h+10*m, 12, 60*h), nil},
		// the reading at 9 h 50 holds till 10 h 10; till 14 h 50 are 280 min = 19.4 %, till 15 h 290 = 20.1 %
		{"wood: 80.6 % covered", wood, wet(17, 10*h, nil, 14*h+50*m, 17, 24*h+10*m, 12, 60*h), []string{"wood-wet sill low 24h0m0s/24h0m0s/48h10m0s"}},
		{"wood: 79.9 % covered", wood, wet(17, 10*h, nil, 15*h, 17, 24*h+10*m, 12, 60*h), nil},
	}
}

// The space follows outdoors by an hour or by five, with a slope; outdoors is a
// sine of a day with an amplitude, at 20 °C (2339 Pa saturated, Hyland and
// Wexler 1983). A sine has a standard deviation of amplitude/√2.
func outdoorCases() []contractCase {
	file := tapeHead + "points:\n  - {id: a, measures: [rh, air-temp], every: 10m}\n  - {id: out, measures: [rh, air-temp], outdoors: true, every: 10m}\n" + silentFile + "}\n"
	follow := func(lag time.Duration, slope, swingRH float64) func(*tape) {
		out := func(t time.Duration) float64 { return 50 + swingRH*math.Sin(2*math.Pi*t.Hours()/24) }
		return func(tp *tape) {
			for t := time.Duration(0); t < 80*h; t += 10 * m {
				tp.at(t, "out/rh", fmt.Sprintf("%.3f", out(t)))
				tp.at(t, "out/air-temp", 20)
				tp.at(t, "a/rh", fmt.Sprintf("%.3f", 45+slope*(out(t-lag)-50)))
				tp.at(t, "a/air-temp", 20)
			}
		}
	}
	// 80 % of 72 hours are known at the 58th
	raised := []string{"outdoor-air-entering - low 58h0m0s/58h0m0s/open"}
	return []contractCase{
		{"outdoor air: slope 0.55, an hour behind", file, follow(h, 0.55, 12), raised},
		{"outdoor air: slope 0.45", file, follow(h, 0.45, 12), nil},
		{"outdoor air: 8 h behind", file, follow(8*h, 0.9, 12), nil},
		// 12 % of 2339 Pa / √2 = 198 Pa; 8 % are 132 Pa
		{"outdoor air: outdoors hardly moves", file, follow(h, 0.9, 8), nil},
	}
}

func outliveCases() []contractCase {
	drift := tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n  - {id: north, measures: [rh], every: 10m}\nlimits: {sensor-suspect: off}\n"
	idle := tapeHead + `dehumidifier: {setpoint: 50 %RH}
points:
  - {id: heart, measures: [rh], every: 10m}
  - {id: north, measures: [rh], every: 10m}
  - {id: dehu, measures: [dehumidifier-power], every: 10m}
  - {id: panel, measures: [mains]}
limits: {humidity-high: off, humidity-drift: off, sensor-suspect: off}
`
	dark := func(after any) func(*tape) {
		return func(tp *tape) {
			for _, n := range []string{"heart", "north"} {
				tp.play(-6*h, 10*m, n+"/rh", 50, 0*h, 62, 20*h)
			}
			tp.play(-6*h, 10*m, "dehu/dehumidifier-power", 500, 0*h, 0, 10*h, after, 20*h)
			tp.at(0, "panel/mains", false)
			tp.at(10*h, "panel/mains", true)
		}
	}
	return []contractCase{
		// high clears three hours after 65 has gone, at 203 h; 56 is still adrift
		{"outlives: drift after high humidity", drift, func(tp *tape) {
			tp.beat(-6*h, 300*h)
			tp.play(-6*h, 10*m, "north/rh", 50, 0*h, 65, 200*h, 56, 230*h, 50, 300*h)
		}, []string{"humidity-high north medium 6h0m0s/6h0m0s/203h0m0s", "humidity-drift north low 203h0m0s/203h0m0s/254h0m0s"}},
		{"outlives: the dehumidifier stays off after the mains are back", idle, dark(0),
			[]string{"mains-lost - high 5m0s/5m0s/10h5m0s", "dehumidifier-idle - medium 10h5m0s/10h10m0s/open"}},
		{"outlives not: it runs again", idle, dark(500),
			[]string{"mains-lost - high 5m0s/5m0s/10h5m0s", "dehumidifier-idle - medium 6h0m0s/6h0m0s/open under mains-lost"}},
	}
}

func gatewayCases() []contractCase {
	free := tapeHead + "points:\n  - {id: a, measures: [rh], every: 5m}\n  - {id: b, measures: [rh], every: 1h}\n" + silentFile + "}\n"
	events := strings.Replace(sumpHead, "  - {id: sump, measures: [pump-run,", "  - {id: floor, measures: [leak]}\n  - {id: sump, measures: [pump-run,", 1)
	named := tapeHead + "points:\n  - {id: a, measures: [rh], every: 10m, gateway: gw1}\n  - {id: b, measures: [rh], every: 10m, gateway: gw2}\nlimits: {humidity-drift: off, sensor-suspect: off, mold-risk: off, wood-wet: off}\n"
	return []contractCase{
		// gw2 reports by the hour: three of those, not of the five minutes of the other
		{"gateways: each by its own interval", free, func(tp *tape) {
			tp.every(-2*h, 8*h, 5*m, "a/rh", 50)
			tp.gateway = "gw2"
			tp.every(-2*h, 1, h, "b/rh", 50)
			tp.every(2*h+59*m, 4*h, h, "b/rh", 50)
		}, []string{"gateway-silent - medium 6h59m0s/6h59m0s/open"}},
		// the sump's own gateway speaks on change only: its quiet hour counts
		{"gateways: short cycling ends behind one that reports on change", events, func(tp *tape) {
			tp.beat(-3*h, 4*h)
			tp.gateway = "gw2"
			for i := range 5 {
				tp.run(time.Duration(i)*5*m, 7)
			}
		}, []string{"pump-short-cycling - medium 20m7s/20m7s/1h20m7s"}},
		// gw2 stores 20 h and forwards: raised when it was, known when it came;
		// its last before was at -10 min
		{"gateways: one forwards a backlog", named, func(tp *tape) {
			tp.every(-8*h, 24*h, 10*m, "a/rh", 50)
			tp.gateway = "gw2"
			tp.every(-8*h, 0, 10*m, "b/rh", 50)
			for t := time.Duration(0); t < 20*h; t += 10 * m {
				tp.late(20*h, t, "b/rh", 65)
			}
			tp.every(20*h, 24*h, 10*m, "b/rh", 50)
		}, []string{"gateway-silent - medium 20m0s/20m0s/20h0m0s", "humidity-high b medium 6h0m0s/20h0m0s/23h0m0s"}},
	}
}

func pumpEdgeCases() []contractCase {
	backup := strings.Replace(sumpHead, "  - {id: sump,", "  - {id: spare, measures: [pump-run], pump: backup}\n  - {id: sump,", 1)
	gauge := strings.Replace(sumpHead, "  - {id: sump,", "  - {id: gauge, measures: [rain]}\n  - {id: sump,", 1)
	return []contractCase{
		{"backup: the primary runs off the beat", backup, func(tp *tape) {
			tp.beat(-3*h, 30*h)
			tp.runOf("spare", 0, 12)
			tp.run(26*h+3*m, 12)
		}, []string{"backup-pump-ran - high 0s/12s/26h3m0s"}},
		// 60 starts in the hour are not more than 60
		{"short cycling: 60 starts in an hour", sumpHead, func(tp *tape) {
			tp.beat(-3*h, 4*h)
			for i := range 120 {
				tp.run(time.Duration(i)*m, 12)
			}
		}, nil},
		{"short cycling: low while rain explains", gauge, func(tp *tape) {
			tp.beat(-2*d, 4*h)
			for i := range 6 {
				tp.at(time.Duration(i-6)*10*m, "gauge/rain", 2)
			}
			for i := range 6 {
				tp.run(time.Duration(i)*41*s, 12)
			}
		}, []string{"pump-short-cycling - low 3m37s/3m37s/1h3m37s"}},
		// 20 cycles on the day before, 12 on this one, when the rain no longer counts:
		// 300 L are under 0.9 × 500 L
		{"water: receding", gauge, func(tp *tape) {
			tp.beat(-14*d, 20*h)
			tp.at(-72*h, "gauge/rain", 5)
			for i := range 20 {
				tp.run(-44*h+time.Duration(i)*h, 12)
			}
			for i := range 12 {
				tp.run(-20*h+time.Duration(i)*100*m, 12)
			}
		}, nil},
	}
}

// A condition that a file switches off is not raised, and nothing else changes.
func offCases() []contractCase {
	off := strings.Replace(sumpHead, "points:", "  # off\npoints:", 1) + "limits: {high-water: off, pump-run-on: off, pump-short-cycling: off}\n"
	return []contractCase{{"off: float, run-on and short cycling", strings.Replace(off, "  # off\n", "", 1), func(tp *tape) {
		tp.beat(-3*h, 5*h)
		tp.at(0, "sump/high-water", true)
		tp.run(h, 1200)
		for i := range 8 {
			tp.run(2*h+time.Duration(i)*2*m, 6)
		}
	}, nil}}
}
