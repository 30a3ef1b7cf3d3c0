package ingest

import (
	"sort"
	"strings"
	"testing"
	"time"
)

const spaceFile = tapeHead + `dehumidifier: {setpoint: 50 %RH}
exhaust_fan: {flow: 22 cfm}
points:
  - {id: a, measures: [rh, air-temp], every: 10m}
  - {id: b, measures: [rh, air-temp], every: 10m}
  - {id: dehu, measures: [dehumidifier-power], every: 10m}
  - {id: fan, measures: [fan-power], every: 10m}
  - {id: panel, measures: [mains]}
limits: {humidity-high: off, humidity-drift: off, mold-risk: off, wood-wet: off, sensor-suspect: off, point-silent: off}
`

func spaceCases() []contractCase {
	step := 10 * m
	noPower := strings.Replace(spaceFile, "  - {id: dehu, measures: [dehumidifier-power], every: 10m}\n", "", 1)
	play := func(f func(*tape)) func(*tape) {
		return func(tp *tape) {
			tp.every(-6*h, 0, step, "a/rh", 50)
			tp.every(-6*h, 0, step, "b/rh", 50)
			f(tp)
		}
	}
	ab := func(tp *tape, from, to time.Duration, a, b any) {
		tp.every(from, to, step, "a/rh", a)
		tp.every(from, to, step, "b/rh", b)
	}
	temp := func(tp *tape, from, to time.Duration, c any) {
		tp.every(from, to, step, "a/air-temp", c)
		tp.every(from, to, step, "b/air-temp", c)
	}
	power := func(tp *tape, from, to time.Duration, w any) { tp.every(from, to, step, "dehu/dehumidifier-power", w) }
	fan := func(tp *tape, from, to time.Duration, w any) { tp.every(from, to, step, "fan/fan-power", w) }
	duct := tapeHead + `points:
  - {id: a, measures: [rh, air-temp], every: 5m}
  - {id: duct, measures: [surface-temp], surface: duct, air: a, every: 5m}
limits: {humidity-high: off, humidity-drift: off, mold-risk: off, wood-wet: off, sensor-suspect: off}
`
	// 20 °C at 80 %RH: dew point 16.44 °C (Magnus 17.62, 243.12: ln 0.8 + 1.33928 = 1.11614)
	cond := func(end time.Duration, surface ...any) func(*tape) {
		return func(tp *tape) {
			tp.every(-h, end, 5*m, "a/rh", 80)
			tp.every(-h, end, 5*m, "a/air-temp", 20)
			from := -h
			for i := 0; i < len(surface); i += 2 {
				to := surface[i+1].(time.Duration)
				tp.every(from, to, 5*m, "duct/surface-temp", surface[i])
				from = to
			}
		}
	}
	wood := tapeHead + `points:
  - {id: a, measures: [rh, air-temp], every: 1h}
  - {id: sill, measures: [wood-moisture], every: 1h}
limits: {humidity-high: off, humidity-drift: off, mold-risk: off, sensor-suspect: off}
`
	woods := func(end time.Duration, v ...any) func(*tape) {
		return func(tp *tape) {
			tp.every(-h, end, h, "a/rh", 97)
			tp.every(-h, end, h, "a/air-temp", 20)
			from := -h
			for i := 0; i < len(v); i += 2 {
				to := v[i+1].(time.Duration)
				tp.every(from, to, h, "sill/wood-moisture", v[i])
				from = to
			}
		}
	}
	out := tapeHead + `points:
  - {id: heart, measures: [rh], every: 10m}
  - {id: outdoors, measures: [rh, air-temp], outdoors: true, every: 10m}
`
	sus := func(points string) string {
		return tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n" + points + "limits: {humidity-high: off, humidity-drift: off, mold-risk: off, wood-wet: off}\n"
	}
	three := sus("  - {id: a, measures: [rh, air-temp], every: 30m}\n  - {id: b, measures: [rh, air-temp], every: 30m}\n  - {id: c, measures: [rh, air-temp], every: 30m}\n")
	one := sus("  - {id: a, measures: [rh], every: 10m}\n")
	wig := func(tp *tape, from, to, step time.Duration, name string, v float64) {
		for t := from; t < to; t += step {
			tp.at(t, name, v+0.1*float64(int(t/step)&1))
		}
	}
	gauge := strings.Replace(sumpHead, "  - {id: sump,", "  - {id: gauge, measures: [rain]}\n  - {id: panel, measures: [mains]}\n  - {id: sump,", 1)
	water := func(days time.Duration, end time.Duration, n int, f func(*tape)) func(*tape) {
		return func(tp *tape) {
			tp.beat(-days, end)
			for i := range n {
				tp.run(time.Duration(i)*h, 12)
			}
			if f != nil {
				f(tp)
			}
		}
	}
	return []contractCase{
		{"idle: 59 and no power", spaceFile, play(func(tp *tape) {
			ab(tp, 0, 8*h, 57, 61)
			power(tp, -6*h, 12*h, 0)
			fan(tp, -6*h, 12*h, 30)
			ab(tp, 8*h, 12*h, 54.9, 54.9)
		}), []string{"dehumidifier-idle - medium 6h0m0s/6h0m0s/11h0m0s"}},
		{"idle: 58 is not above", spaceFile, play(func(tp *tape) { ab(tp, 0, 12*h, 57, 59); power(tp, -6*h, 12*h, 0) }), nil},
		{"idle: 30 W is running", spaceFile, play(func(tp *tape) { ab(tp, 0, 12*h, 60, 60); power(tp, -6*h, 12*h, 30) }), nil},
		// 40 min on of 6 h: idle share reaches 90 % when 36 of them are left in the window
		{"idle: power share", spaceFile, play(func(tp *tape) { ab(tp, 0, 8*h, 60, 60); power(tp, -6*h, 40*m, 500); power(tp, 40*m, 8*h, 0) }), []string{"dehumidifier-idle - medium 6h4m0s/6h10m0s/open"}},
		{"idle: no meter, vapour steady", noPower, play(func(tp *tape) { ab(tp, 0, 8*h, 60, 60); temp(tp, -6*h, 8*h, 20) }), []string{"dehumidifier-idle - medium 6h0m0s/6h0m0s/open"}},
		{"idle: no meter, vapour falling", noPower, play(func(tp *tape) {
			for t := time.Duration(0); t < 8*h; t += step {
				v := 68 - float64(t/step)*0.1
				tp.at(t, "a/rh", v)
				tp.at(t, "b/rh", v)
			}
			temp(tp, -6*h, 8*h, 20)
		}), nil},
		{"weak: a day at full power", spaceFile, play(func(tp *tape) { ab(tp, 0, 26*h, 60, 60); power(tp, -6*h, 26*h, 500) }), []string{"dehumidifier-weak - low 24h0m0s/24h0m0s/open"}},
		{"fan: six hours under 30 %", spaceFile, func(tp *tape) {
			ab(tp, -7*d, 12*h, 50, 50)
			fan(tp, -7*d, 0, 30)
			fan(tp, 0, 8*h, 8)
			fan(tp, 8*h, 12*h, 30)
		}, []string{"fan-stopped - low 6h0m0s/6h0m0s/9h0m0s"}},
		{"fan: 10 W of 30", spaceFile, func(tp *tape) { ab(tp, -7*d, 12*h, 50, 50); fan(tp, -7*d, 0, 30); fan(tp, 0, 12*h, 10) }, nil},
		{"freeze", spaceFile, play(func(tp *tape) {
			ab(tp, 0, 6*h, 50, 50)
			temp(tp, -6*h, 0, 8)
			temp(tp, 0, 2*h, 3.9)
			temp(tp, 2*h, 3*h, 6)
			temp(tp, 3*h, 6*h, 6.1)
		}), []string{"freeze-risk a high 1h0m0s/1h0m0s/4h0m0s", "freeze-risk b high 1h0m0s/1h0m0s/4h0m0s"}},
		{"freeze: 4 is not under 4", spaceFile, play(func(tp *tape) { ab(tp, 0, 6*h, 50, 50); temp(tp, -6*h, 6*h, 4) }), nil},
		{"condensation: under 2", duct, cond(6*h, 25, 0*h, 18.4, 2*h, 19.4, 3*h, 19.5, 6*h), []string{"condensation-risk duct medium 1h0m0s/1h0m0s/4h0m0s"}},
		{"condensation: over 2", duct, cond(6*h, 25, 0*h, 18.5, 6*h), nil},
		{"condensation: at the dew point", duct, cond(6*h, 25, 0*h, 16.4, 45*m, 25, 6*h), []string{"condensation-risk duct high 30m0s/30m0s/1h45m0s"}},
		{"condensation: rises", duct, cond(6*h, 25, 0*h, 18.4, 2*h, 16.4, 4*h, 25, 6*h), []string{"condensation-risk duct high 1h0m0s/1h0m0s/5h0m0s high@2h30m0s"}},
		{"wood: measured dry under wet air", wood, woods(30*d, 12, 30*d), nil},
		{"wood: low, medium, high", wood, woods(200*h, 12, 0*h, 17, 30*h, 20, 60*h, 26, 90*h, 14.9, 200*h), []string{"wood-wet sill high 24h0m0s/24h0m0s/114h0m0s medium@54h0m0s high@84h0m0s"}},
		{"wood: 16 is not above", wood, woods(60*h, 12, 0*h, 16, 60*h), nil},
		{"wood: 15 does not clear", wood, woods(100*h, 12, 0*h, 17, 30*h, 15, 100*h), []string{"wood-wet sill low 24h0m0s/24h0m0s/open"}},
		{"outdoors: only its three", out, func(tp *tape) {
			tp.beat(-6*h, 40*d)
			for t := -6 * h; t < 40*d; t += 30 * m {
				tp.at(t, "outdoors/rh", 95+float64(int(t/h)%4))
				tp.at(t, "outdoors/air-temp", -5+float64(int(t/h)%4))
			}
		}, nil},
		{"suspect: jump of 31", one, func(tp *tape) {
			tp.beat(-6*h, 30*h)
			wig(tp, -6*h, 0, 10*m, "a/rh", 45)
			wig(tp, 0, 30*h, 10*m, "a/rh", 76.2)
		}, []string{"sensor-suspect a low 0s/1h0m0s/24h0m0s"}},
		{"suspect: jump of 30", one, func(tp *tape) {
			tp.beat(-6*h, 30*h)
			tp.every(-6*h, 0, 10*m, "a/rh", 45)
			tp.every(0, 30*h, 10*m, "a/rh", 75)
		}, nil},
		{"suspect: stuck high", one, func(tp *tape) {
			tp.beat(-6*h, 40*h)
			wig(tp, -6*h, 0, 10*m, "a/rh", 75)
			tp.every(0, 8*h, 10*m, "a/rh", 99.5)
			wig(tp, 8*h, 40*h, 10*m, "a/rh", 75)
		}, []string{"sensor-suspect a low 6h0m0s/6h0m0s/32h0m0s"}},
		{"suspect: 99.4 is not stuck", one, func(tp *tape) {
			tp.beat(-6*h, 40*h)
			wig(tp, -6*h, 0, 10*m, "a/rh", 75)
			tp.every(0, 8*h, 10*m, "a/rh", 99.4)
			wig(tp, 8*h, 40*h, 10*m, "a/rh", 75)
		}, nil},
		{"suspect: stuck low", one, func(tp *tape) {
			tp.beat(-6*h, 10*h)
			wig(tp, -6*h, 0, 10*m, "a/rh", 25)
			wig(tp, 0, 10*h, 10*m, "a/rh", 1.8)
		}, []string{"sensor-suspect a low 6h0m0s/6h0m0s/open"}},
		{"suspect: flat while a neighbour moved", three, func(tp *tape) {
			tp.beat(-6*h, 60*h)
			for _, n := range []string{"a", "b", "c"} {
				wig(tp, -6*h, 60*h, 30*m, n+"/air-temp", 20)
			}
			wig(tp, -6*h, 0, 30*m, "a/rh", 47)
			tp.every(0, 60*h, 30*m, "a/rh", 48)
			wig(tp, -6*h, 20*h, 30*m, "b/rh", 45)
			wig(tp, 20*h, 60*h, 30*m, "b/rh", 50.5)
			wig(tp, -6*h, 60*h, 30*m, "c/rh", 47)
		}, []string{"sensor-suspect a low 48h0m0s/48h0m0s/open"}},
		{"suspect: flat, nobody moved", three, func(tp *tape) {
			tp.beat(-6*h, 60*h)
			for _, n := range []string{"a", "b", "c"} {
				wig(tp, -6*h, 60*h, 30*m, n+"/air-temp", 20)
			}
			tp.every(-6*h, 60*h, 30*m, "a/rh", 48)
			wig(tp, -6*h, 60*h, 30*m, "b/rh", 45)
			wig(tp, -6*h, 60*h, 30*m, "c/rh", 47)
		}, nil},
		// 58/50 is 16 % off
		{"suspect: vapour 16 % off", three, func(tp *tape) {
			tp.beat(-6*h, 60*h)
			for _, n := range []string{"a", "b", "c"} {
				wig(tp, -6*h, 60*h, 30*m, n+"/air-temp", 20)
			}
			wig(tp, -6*h, 60*h, 30*m, "a/rh", 50)
			wig(tp, -6*h, 60*h, 30*m, "b/rh", 50)
			wig(tp, -6*h, 0, 30*m, "c/rh", 50)
			wig(tp, 0, 60*h, 30*m, "c/rh", 58)
		}, []string{"sensor-suspect c low 48h0m0s/48h0m0s/open"}},
		{"suspect: vapour 14 % off", three, func(tp *tape) {
			tp.beat(-6*h, 60*h)
			for _, n := range []string{"a", "b", "c"} {
				wig(tp, -6*h, 60*h, 30*m, n+"/air-temp", 20)
			}
			wig(tp, -6*h, 60*h, 30*m, "a/rh", 50)
			wig(tp, -6*h, 60*h, 30*m, "b/rh", 50)
			wig(tp, -6*h, 60*h, 30*m, "c/rh", 57)
		}, nil},
		{"suspect: ten impossible values", one, func(tp *tape) {
			tp.beat(-6*h, 50*h)
			wig(tp, -6*h, 50*h, 10*m, "a/rh", 45)
			for i := range 10 {
				tp.at(time.Duration(i)*2*h+m, "a/rh", 101)
			}
		}, []string{"sensor-suspect a low 18h1m0s/18h1m0s/42h1m0s"}},
		{"suspect: nine", one, func(tp *tape) {
			tp.beat(-6*h, 50*h)
			wig(tp, -6*h, 50*h, 10*m, "a/rh", 45)
			for i := range 9 {
				tp.at(time.Duration(i)*2*h+m, "a/rh", 101)
			}
		}, nil},
		{"suspect: ten refused times", one, func(tp *tape) {
			tp.beat(-6*h, 50*h)
			wig(tp, -6*h, 50*h, 10*m, "a/rh", 45)
			for i := range 10 {
				tp.late(time.Duration(i)*2*h+m, time.Duration(i)*2*h+h, "a/rh", 45)
			}
		}, []string{"sensor-suspect a low 18h1m0s/18h1m0s/42h1m0s"}},
		// 25.02 L a cycle; five are 125 L > 3 × 40 L; twelve days give eight dry ones
		{"water: five cycles", gauge, water(12*d, 30*h, 5, nil), []string{"water-unexplained - medium 4h0m12s/4h0m12s/26h0m12s"}},
		{"water: four cycles", gauge, water(12*d, 30*h, 4, nil), nil},
		{"water: too few dry days", gauge, water(8*d, 30*h, 5, nil), nil},
		// the seventh dry day ends at local midnight, 04:00 UTC
		{"water: the norm comes at midnight", gauge, water(9*d, 30*h, 5, nil), []string{"water-unexplained - medium 16h0m0s/16h0m0s/26h0m12s"}},
		{"water: 1 mm of rain 60 h before", gauge, water(20*d, 40*h, 14, func(tp *tape) { tp.at(-60*h, "gauge/rain", 1) }), []string{"water-unexplained - medium 12h0m0s/12h0m0s/35h0m12s"}},
		{"water: 0.9 mm of rain 60 h before", gauge, water(12*d, 30*h, 5, func(tp *tape) { tp.at(-60*h, "gauge/rain", 0.9) }), []string{"water-unexplained - medium 4h0m12s/4h0m12s/26h0m12s"}},
		// two cycles a day, 50 L: above 150 L are seven
		{"water: norm of two cycles", gauge, func(tp *tape) {
			tp.beat(-14*d, 30*h)
			for i := -14; i < 1; i++ {
				tp.run(time.Duration(i)*d, 12)
				tp.run(time.Duration(i)*d+6*h, 12)
			}
			for i := 1; i <= 5; i++ {
				tp.run(time.Duration(i)*h, 12)
			}
		}, []string{"water-unexplained - medium 5h0m12s/5h0m12s/28h0m12s"}},
		{"rain: silent pump", gauge, func(tp *tape) {
			tp.beat(-2*d, 2*d)
			for i := range 12 {
				tp.at(time.Duration(i)*h, "gauge/rain", 8)
			}
			tp.run(30*h, 12)
		}, nil},
		{"rain: silent pump without power", gauge, func(tp *tape) {
			tp.beat(-2*d, 2*d)
			tp.at(-h, "panel/mains", false)
			tp.at(26*h, "panel/mains", true)
			for i := range 12 {
				tp.at(time.Duration(i)*h, "gauge/rain", 8)
			}
			tp.run(30*h, 12)
		}, []string{"mains-lost - high -55m0s/-55m0s/26h5m0s"}},
		{"rain: short cycling", gauge, func(tp *tape) {
			tp.beat(-2*d, 6*d)
			for i := range 12 {
				tp.at(time.Duration(i)*h, "gauge/rain", 4)
			}
			for t := 10 * h; t < 6*d; t += 5 * m {
				tp.run(t, 6)
			}
		}, []string{"pump-short-cycling - medium 10h20m6s/10h20m6s/open medium@57h0m6s"}},
	}
}

func oddCases() []contractCase {
	flooded := strings.Replace(strings.Replace(sumpHead, "  - {id: sump,", "  - {id: gauge, measures: [rain]}\n  - {id: panel, measures: [mains]}\n  - {id: sump,", 1), "damp", "flooded", 1)
	both := func(tp *tape) { tp.every(0, 30*m, m, "sump/pump-on", true); tp.at(30*m, "sump/pump-on", false) }
	version := func(first, second string) string {
		return tapeHead + "points:\n  - {id: north, measures: [rh], every: 5m}\nlimits: {humidity-drift: off, sensor-suspect: off" + first + "}\n---\n" +
			tapeHead + "effective: 2026-06-11\npoints:\n  - {id: north, measures: [rh], every: 5m}\nlimits: {humidity-drift: off, sensor-suspect: off" + second + "}\n"
	}
	drying := strings.Replace(airFile, "2026-03-02", "2026-06-10", 1)
	over := strings.Replace(airFile, "limits: {", "limits: {humidity-high: {above: 58 %RH, sustained: 4h, clear: 55 %RH, clear_sustained: 2h}, ", 1)
	one := tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n  - {id: a, measures: [rh], every: 10m}\nlimits: {humidity-high: off, humidity-drift: off}\n"
	panel := tapeHead + "points:\n  - {id: heart, measures: [rh], every: 10m}\n  - {id: panel, measures: [mains]}\n"
	wig := func(tp *tape, from, to, step time.Duration, name string, v float64) {
		for t := from; t < to; t += step {
			tp.at(t, name, v+0.1*float64(int((t-from)/step)&1))
		}
	}
	storm := func(tp *tape, at time.Duration, answered bool) {
		for i := range 12 {
			tp.at(at+time.Duration(i)*30*m, "gauge/rain", 4)
		}
		if answered {
			for i := range 30 {
				tp.run(at+2*h+time.Duration(i)*20*m, 12)
			}
		}
	}
	return []contractCase{
		{"both: long run, both told", sumpHead, func(tp *tape) { tp.beat(-3*h, 3*h); both(tp); tp.late(30*m, 0, "sump/pump-run", 1800) }, []string{"pump-run-on - high 10m0s/10m0s/1h18m0.000001s"}},
		{"both: long run, run a minute later", sumpHead, func(tp *tape) { tp.beat(-3*h, 3*h); both(tp); tp.late(31*m, 0, "sump/pump-run", 1800) }, []string{"pump-run-on - high 10m0s/10m0s/1h18m0.000001s"}},
		{"both: long run, its pump-run lost", sumpHead, func(tp *tape) { tp.beat(-3*h, 3*h); both(tp); tp.run(-2*h, 12) }, []string{"pump-run-on - high 10m0s/10m0s/1h18m0.000001s"}},
		{"both: off was lost, short run told", sumpHead, func(tp *tape) {
			tp.beat(-3*h, 3*h)
			tp.at(0, "sump/pump-on", true)
			tp.at(m, "sump/pump-on", true)
			tp.late(31*m, 0, "sump/pump-run", 95)
		}, nil},
		{"rain: flooded prior", flooded, func(tp *tape) { tp.beat(-2*d, 2*d); storm(tp, 0, false); storm(tp, 6*h, false); tp.run(40*h, 12) }, []string{"pump-silent-in-rain - high 16h30m0s/16h30m0s/40h0m0s"}},
		{"rain: learned", flooded, func(tp *tape) {
			tp.beat(-22*d, 2*d)
			storm(tp, -20*d, true)
			storm(tp, -15*d, true)
			storm(tp, -10*d, true)
			storm(tp, -5*d, true)
			storm(tp, 0, false)
			tp.run(40*h, 12)
		}, []string{"pump-silent-in-rain - high 3h30m0s/3h30m0s/40h0m0s"}},
		{"rain: learned, no power", flooded, func(tp *tape) {
			tp.beat(-22*d, 2*d)
			storm(tp, -20*d, true)
			storm(tp, -15*d, true)
			storm(tp, -10*d, true)
			storm(tp, -5*d, true)
			tp.at(-h, "panel/mains", false)
			storm(tp, 0, false)
			tp.at(30*h, "panel/mains", true)
			tp.run(40*h, 12)
		}, []string{"mains-lost - high -55m0s/-55m0s/30h5m0s", "pump-silent-in-rain - high 30h5m0s/30h10m0s/40h0m0s"}},
		{"version: stricter from midnight", version("", ", humidity-high: {above: 55 %RH}"), func(tp *tape) { tp.every(-8*h, 0, 5*m, "north/rh", 50); tp.every(0, 40*h, 5*m, "north/rh", 58) }, []string{"humidity-high north medium 22h0m0s/22h0m0s/open"}},
		{"version: laxer from midnight", version("", ", humidity-high: {above: 70 %RH, clear: 67 %RH}"), func(tp *tape) { tp.every(-8*h, 0, 5*m, "north/rh", 50); tp.every(0, 40*h, 5*m, "north/rh", 65) }, []string{"humidity-high north medium 6h0m0s/6h0m0s/19h0m0s"}},
		{"version: off from midnight", version("", ", humidity-high: off"), func(tp *tape) { tp.every(-8*h, 0, 5*m, "north/rh", 50); tp.every(0, 40*h, 5*m, "north/rh", 65) }, []string{"humidity-high north medium 6h0m0s/6h0m0s/16h0m0s"}},
		{"commissioning", drying, func(tp *tape) { tp.beat(-7*h, 16*d); tp.every(-7*h, 16*d, 5*m, "north/rh", 65) }, []string{"humidity-high north medium 328h0m0s/328h0m0s/open"}},
		{"limits of the file", over, func(tp *tape) {
			tp.beat(-2*h, 12*h)
			tp.every(-2*h, 0, 5*m, "north/rh", 50)
			tp.every(0, 5*h, 5*m, "north/rh", 58.5)
			tp.every(5*h, 12*h, 5*m, "north/rh", 54.9)
		}, []string{"humidity-high north medium 4h0m0s/4h0m0s/7h0m0s"}},
		{"suspect: stuck off the hour", one, func(tp *tape) {
			tp.beat(-6*h, 40*h)
			wig(tp, -6*h, 17*m, 10*m, "a/rh", 75)
			tp.every(17*m, 8*h, 10*m, "a/rh", 99.5)
			wig(tp, 8*h, 40*h, 10*m, "a/rh", 75)
		}, []string{"sensor-suspect a low 6h17m0s/6h17m0s/32h0m0s"}},
		{"suspect: flat off the hour", one, func(tp *tape) {
			tp.beat(-6*h, 12*h)
			wig(tp, 12*h+10*m, 80*h, 10*m, "heart/rh", 55)
			wig(tp, -6*h, 17*m, 10*m, "a/rh", 46)
			tp.every(17*m, 50*h, 10*m, "a/rh", 45)
			wig(tp, 50*h+7*m, 80*h, 10*m, "a/rh", 45)
		}, []string{"sensor-suspect a low 48h17m0s/49h0m0s/75h0m0s"}},
		{"suspect: jump off the hour", one, func(tp *tape) {
			tp.beat(-6*h, 30*h)
			wig(tp, -6*h, 17*m, 10*m, "a/rh", 45)
			wig(tp, 17*m, 30*h, 10*m, "a/rh", 76.2)
		}, []string{"sensor-suspect a low 17m0s/1h0m0s/24h17m0s"}},
		{"mains: the last word of a dying gateway", panel, func(tp *tape) {
			tp.beat(-6*h, 0)
			tp.at(0, "panel/mains", false)
			tp.at(5*h, "panel/mains", true)
			tp.beat(5*h, 8*h)
		}, []string{"mains-lost - high 5m0s/5m0s/5h5m0s", "gateway-silent - medium 30m0s/30m0s/5h0m0s under mains-lost"}},
		{"mains: gateway outlives the outage", panel, func(tp *tape) {
			tp.beat(-6*h, 0)
			tp.at(0, "panel/mains", false)
			tp.beat(10*m, 20*m)
			tp.at(5*h, "panel/mains", true)
			tp.late(12*h, 10*h, "panel/mains", true)
			tp.beat(12*h+10*m, 14*h)
		}, []string{"mains-lost - high 5m0s/5m0s/5h5m0s", "gateway-silent - medium 50m0s/50m0s/5h0m0s under mains-lost", "gateway-silent - medium 5h30m0s/12h0m0s/12h0m0s"}},
	}
}

// The same readings, in whatever order and however often they come: the same
// alarms, their receipt aside.
func TestContractOrderOfDelivery(t *testing.T) {
	t.Parallel()
	file := strings.Replace(sumpHead, "  - {id: sump,", "  - {id: north, measures: [rh], every: 10m}\n  - {id: sump,", 1) + "limits: {gateway-silent: off, point-silent: off}\n"
	play := func(delay func(event time.Duration) time.Duration, times int) []string {
		tp := &tape{}
		put := func(event time.Duration, name string, v any) {
			for range times {
				tp.late(event+delay(event), event, name, v)
			}
		}
		for t := -6 * h; t < 40*h; t += 10 * m {
			v := 50
			if t >= 0 && t < 30*h {
				v = 75
			}
			put(t, "north/rh", v)
			put(t, "heart/rh", 45+int(t/(10*m))&1)
		}
		for i := range 6 {
			put(2*h+time.Duration(i)*5*m, "sump/pump-run", 6)
			put(9*h+time.Duration(i)*30*m, "sump/pump-run", 18)
		}
		put(5*h, "sump/high-water", true)
		put(5*h+20*m, "sump/high-water", false)
		put(20*h, "sump/pump-run", 900)
		tp.end(100 * h)
		var out []string
		for _, a := range rehearseTape(t, file, tp).Replay.Alarms() {
			if a.WithdrawnAt.IsZero() {
				a.KnownAt = tapeStart
				out = append(out, said(a))
			}
		}
		sort.Strings(out)
		return out
	}
	prompt := play(func(time.Duration) time.Duration { return 0 }, 1)
	if len(prompt) != 5 { // humidity high, its drift is too short; short cycling, weak, high water, run-on
		t.Fatalf("%d alarms to compare:\n%s", len(prompt), strings.Join(prompt, "\n"))
	}
	for name, got := range map[string][]string{
		"twice":             play(func(time.Duration) time.Duration { return 0 }, 2),
		"backwards":         play(func(e time.Duration) time.Duration { return 2 * (45*h - e) }, 1),
		"blocks of 8 hours": play(func(e time.Duration) time.Duration { return 50*h - e + e/(8*h)*h }, 1),
		"every third late":  play(func(e time.Duration) time.Duration { return time.Duration((int(e/(10*m))+36)%3) * 7 * h }, 1),
	} {
		if strings.Join(got, "\n") != strings.Join(prompt, "\n") {
			t.Errorf("%s:\n  %s\nprompt:\n  %s", name, strings.Join(got, "\n  "), strings.Join(prompt, "\n  "))
		}
	}
}

// A pack without times: humidity stands at its receipt; a pump run, which a
// redelivery would count twice, is refused.
func TestContractMissingTimes(t *testing.T) {
	t.Parallel()
	tp := &tape{}
	tp.beat(-h, 3*h)
	for i := range 9 { // 700 s each would be a run-on; ten refused times would make the sensor suspect
		tp.line(time.Duration(i)*10*m, "readings", `[{"n":"sump/pump-run","u":"s","v":700}]`)
	}
	tp.line(h, "readings", `[{"n":"sump/high-water","vb":true}]`)
	tp.line(h+10*m, "readings", `[{"n":"sump/high-water","vb":false,"t":-60}]`)
	r := rehearseTape(t, sumpHead, tp)
	var got []string
	for _, a := range r.Replay.Alarms() {
		got = append(got, said(a))
	}
	// dry since a minute before 1 h 10, so for ten minutes at 1 h 19
	if want := "high-water - urgent 1h1m0s/1h1m0s/1h19m0s"; strings.Join(got, "\n") != want {
		t.Errorf("got %s, want %s", got, want)
	}
	refused := 0
	for _, n := range r.Refused {
		refused += n
	}
	if refused != 9 {
		t.Errorf("%d refused, want the 9 runs: %v", refused, r.Refused)
	}
}
