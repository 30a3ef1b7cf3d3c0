package ingest

import (
	"bytes"
	"fmt"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

// The cases here are worked by hand from the words of the alarm conditions and
// know nothing of how the evaluator is built: a property file and a recording
// go in, the alarms must come out to the second.

// tapeStart is the noon from which every case counts, long after the
// property's first fortnight.
var tapeStart = time.Date(2026, 6, 10, 12, 0, 0, 0, time.UTC)

// tape is a recording under construction; times are since tapeStart.
type tape struct {
	gateway string
	lines   []tapeLine
}

type tapeLine struct {
	received time.Duration
	text     string
}

var tapeUnits = map[string]string{"rh": "%RH", "air-temp": "Cel", "surface-temp": "Cel", "wood-moisture": "/100", "pump-run": "s",
	"water-level": "mm", "rain": "mm", "dehumidifier-power": "W", "fan-power": "W", "battery": "%EL"}

func (tp *tape) line(received time.Duration, subtopic, payload string) {
	gateway := tp.gateway
	if gateway == "" {
		gateway = "gw1"
	}
	tp.lines = append(tp.lines, tapeLine{received, fmt.Sprintf("{\"received\":%q,\"topic\":\"underkeep/1/heron-07/%s/%s\",\"payload\":%s}\n",
		tapeStart.Add(received).Format(time.RFC3339Nano), gateway, subtopic, payload)})
}

// late records one value measured at event and received at received.
func (tp *tape) late(received, event time.Duration, name string, v any) {
	t := strconv.FormatFloat(float64(tapeStart.Add(event).UnixMilli())/1000, 'f', 3, 64)
	quantity := name[strings.IndexByte(name, '/')+1:]
	value := fmt.Sprintf(`"u":%q,"v":%v`, tapeUnits[quantity], v)
	if b, ok := v.(bool); ok {
		value = fmt.Sprintf(`"vb":%t`, b)
	}
	tp.line(received, "readings", fmt.Sprintf(`[{"n":%q,%s,"t":%s}]`, name, value, t))
}

// at records one value, received as it is measured.
func (tp *tape) at(event time.Duration, name string, v any) { tp.late(event, event, name, v) }

// run records a finished pump cycle, received as it ends.
func (tp *tape) run(start time.Duration, seconds float64) { tp.runOf("sump", start, seconds) }

func (tp *tape) runOf(point string, start time.Duration, seconds float64) {
	tp.late(start+time.Duration(seconds*float64(time.Second)), start, point+"/pump-run", seconds)
}

// every records a value each step from from until before to.
func (tp *tape) every(from, to, step time.Duration, name string, v any) {
	for t := from; t < to; t += step {
		tp.at(t, name, v)
	}
}

// end closes the recording at a moment, by a message that says nothing.
func (tp *tape) end(at time.Duration) {
	tp.lines = append(tp.lines, tapeLine{at, fmt.Sprintf("{\"received\":%q,\"topic\":\"underkeep/1/heron-07/gw1/presence\",\"payload\":\"online\"}\n",
		tapeStart.Add(at).Format(time.RFC3339Nano))})
}

func (tp *tape) bytes() []byte {
	sort.SliceStable(tp.lines, func(i, j int) bool { return tp.lines[i].received < tp.lines[j].received })
	var b bytes.Buffer
	for _, l := range tp.lines {
		b.WriteString(l.text)
	}
	return b.Bytes()
}

func rehearseTape(t *testing.T, file string, tp *tape) *Rehearsal {
	t.Helper()
	versions, err := site.ParseProperties([]byte(file), "heron.yaml")
	if err != nil {
		t.Fatal(err)
	}
	r, err := Rehearse(versions, bytes.NewReader(tp.bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// said puts an alarm in one line: condition, point, highest priority, then
// raised/known/cleared since tapeStart.
func said(a alerting.Alarm) string {
	point := a.Point
	if point == "" {
		point = "-"
	}
	cleared := "open"
	if !a.ClearedAt.IsZero() {
		cleared = a.ClearedAt.Sub(tapeStart).String()
	}
	s := fmt.Sprintf("%s %s %s %s/%s/%s", a.Condition, point, a.Priority, a.RaisedAt.Sub(tapeStart), a.KnownAt.Sub(tapeStart), cleared)
	for _, c := range a.PriorityChanges {
		s += fmt.Sprintf(" %s@%s", c.Priority, c.At.Sub(tapeStart))
	}
	if a.SuppressedBy != "" {
		s += " under " + string(a.SuppressedBy)
	}
	if !a.WithdrawnAt.IsZero() {
		s += " withdrawn@" + a.WithdrawnAt.Sub(tapeStart).String()
	}
	return s
}

const tapeHead = "property: heron-07\nname: 7 Heron Lane\ntimezone: America/New_York\ninstalled: 2026-03-02\n"

const sumpHead = tapeHead + `sump: {basin_diameter: 18 in, float_on: 12 in, float_off: 6 in, high_water: 16 in, commissioned_draw_down: 12 s, water_history: damp}
points:
  - {id: heart, measures: [rh], every: 10m}
  - {id: sump, measures: [pump-run, pump-on, high-water, water-level]}
`

const (
	h = time.Hour
	m = time.Minute
	s = time.Second
	d = 24 * h
)

// beat keeps the gateway and its heart point speaking, never flat.
func (tp *tape) beat(from, to time.Duration) {
	for t := from; t <= to; t += 10 * m {
		tp.at(t, "heart/rh", 45+int(t/(10*m))&1)
	}
}

type contractCase struct {
	name string
	file string
	play func(*tape)
	want []string
}

func TestContract(t *testing.T) {
	t.Parallel()
	for _, c := range contractCases() {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			tp := &tape{}
			c.play(tp)
			var got []string
			for _, a := range rehearseTape(t, c.file, tp).Replay.Alarms() {
				got = append(got, said(a))
			}
			if strings.Join(got, "\n") != strings.Join(c.want, "\n") {
				t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
		})
	}
}

func contractCases() []contractCase {
	var all []contractCase
	for _, group := range [][]contractCase{humidityCases(), pumpCases(), floatCases(), silenceCases(), spaceCases(), oddCases(), edgeCases()} {
		all = append(all, group...)
	}
	return all
}

const airFile = tapeHead + `points:
  - {id: north, measures: [rh], every: 5m}
  - {id: heart, measures: [rh], every: 10m}
limits: {humidity-drift: off, sensor-suspect: off}
`

func humidityCases() []contractCase {
	step := 5 * m
	// air plays north/rh: v from 0 until to, 50 before and after.
	air := func(v any, to, end time.Duration) func(*tape) {
		return func(tp *tape) {
			tp.beat(-8*h, end)
			tp.every(-8*h, 0, step, "north/rh", 50)
			tp.every(0, to, step, "north/rh", v)
			tp.every(to, end+1, step, "north/rh", 50)
		}
	}
	pieces := func(file string, end time.Duration, parts ...any) contractCase {
		return contractCase{file: file, play: func(tp *tape) {
			tp.beat(-8*h, end)
			tp.every(-8*h, 0, step, "north/rh", 50)
			from := time.Duration(0)
			for i := 0; i < len(parts); i += 2 {
				to := parts[i+1].(time.Duration)
				if parts[i] != nil {
					tp.every(from, to, step, "north/rh", parts[i])
				}
				from = to
			}
		}}
	}
	named := func(name string, c contractCase, want ...string) contractCase {
		c.name, c.want = name, want
		return c
	}
	drift := strings.Replace(airFile, "humidity-drift: off, ", "", 1)
	return []contractCase{
		{"humidity: six hours raise, three clear", airFile, air(65, 10*h, 16*h), []string{"humidity-high north medium 6h0m0s/6h0m0s/13h0m0s"}},
		{"humidity: 5 h 55 min raise nothing", airFile, air(65, 5*h+55*m, 16*h), nil},
		{"humidity: 60 is not above 60", airFile, air(60, 30*h, 31*h), nil},
		{"humidity: 60.1 is", airFile, air(60.1, 8*h, 12*h), []string{"humidity-high north medium 6h0m0s/6h0m0s/11h0m0s"}},
		{"humidity: over 70 for a day is high", airFile, air(75, 30*h, 34*h), []string{"humidity-high north high 6h0m0s/6h0m0s/33h0m0s high@24h0m0s"}},
		{"humidity: 70 itself stays medium", airFile, air(70, 30*h, 34*h), []string{"humidity-high north medium 6h0m0s/6h0m0s/33h0m0s"}},
		named("humidity: 57 does not clear, 56.9 does", pieces(airFile, 20*h, 65, 8*h, 57, 14*h, 56.9, 20*h),
			"humidity-high north medium 6h0m0s/6h0m0s/17h0m0s"),
		// 35 min of 6 h are 9.7 %
		named("humidity: 35 min of dips in six hours pass", pieces(airFile, 12*h, 65, 2*h, 50, 2*h+35*m, 65, 8*h, 50, 12*h),
			"humidity-high north medium 6h0m0s/6h0m0s/11h0m0s"),
		// 40 min are 11.1 %: the window must begin after the dip
		named("humidity: 40 min of dips do not", pieces(airFile, 13*h, 65, 2*h, 50, 2*h+40*m, 65, 9*h, 50, 13*h),
			"humidity-high north medium 8h40m0s/8h40m0s/12h0m0s"),
		// last reading 1 h 55 holds till 2 h 05; till 3 h 15 are 70 min = 19.4 %
		named("humidity: 80.6 % covered raise", pieces(airFile, 12*h, 65, 2*h, nil, 3*h+15*m, 65, 8*h, 50, 12*h),
			"humidity-high north medium 6h0m0s/6h0m0s/11h0m0s"),
		// till 3 h 20 are 75 min = 20.8 %: the window must begin at 3 h 20
		named("humidity: 79.2 % covered do not", pieces(airFile, 13*h, 65, 2*h, nil, 3*h+20*m, 65, 9*h+25*m, 50, 13*h),
			"humidity-high north medium 9h20m0s/9h20m0s/12h25m0s"),
		named("drift: above 55 for a week, low, a day clears", pieces(drift, 200*h, 56, 170*h, 55, 200*h),
			"humidity-drift north low 168h0m0s/168h0m0s/194h0m0s"),
		named("drift: too dry", pieces(drift, 200*h, 29.9, 170*h, 30, 200*h),
			"humidity-drift north low 168h0m0s/168h0m0s/194h0m0s"),
		named("drift: 55 is in band", pieces(drift, 200*h, 55, 200*h)),
		named("drift: a week of high humidity is one call-out", pieces(drift, 200*h, 65, 169*h, 45, 200*h),
			"humidity-high north medium 6h0m0s/6h0m0s/172h0m0s",
			"humidity-drift north low 168h0m0s/168h0m0s/193h0m0s under humidity-high"),
	}
}

func pumpCases() []contractCase {
	play := func(end time.Duration, f func(*tape)) func(*tape) {
		return func(tp *tape) { tp.beat(-3*h, end); f(tp); tp.end(end) }
	}
	starts := func(run float64, at ...time.Duration) func(*tape) {
		return func(tp *tape) {
			for _, t := range at {
				tp.run(t, run)
			}
		}
	}
	train := func(n int, every time.Duration, run float64) func(*tape) {
		return func(tp *tape) {
			for i := range n {
				tp.run(time.Duration(i)*every, run)
			}
		}
	}
	return []contractCase{
		// 7 s < 0.6 × 12 s; the fifth is known short as it ends
		{"short cycling: five in 29 min", sumpHead, play(3*h, starts(7, 0, 7*m, 14*m, 21*m, 29*m)), []string{"pump-short-cycling - medium 29m7s/29m7s/1h29m7s"}},
		{"short cycling: five in 31 min", sumpHead, play(3*h, starts(7, 0, 7*m, 14*m, 21*m, 31*m)), nil},
		{"short cycling: 7.3 s is no short run", sumpHead, play(3*h, starts(7.3, 0, 7*m, 14*m, 21*m, 28*m)), nil},
		// rest 29 s: 12 s run every 41 s; the first has no rest before it, so the sixth is the fifth short one
		{"short cycling: rests of 29 s", sumpHead, play(3*h, train(6, 41*s, 12)), []string{"pump-short-cycling - medium 3m37s/3m37s/1h3m37s"}},
		{"short cycling: rests of 30 s", sumpHead, play(3*h, train(6, 42*s, 12)), nil},
		// 61 starts in 59 min
		{"short cycling: 61 starts in an hour", sumpHead, play(4*h, train(61, 59*s, 12)), []string{"pump-short-cycling - medium 59m0s/59m12s/1h59m12s"}},
		{"run-on: 601 s", sumpHead, play(3*h, starts(601, 0)), []string{"pump-run-on - high 10m0s/10m1s/10m1s"}},
		{"run-on: 600 s", sumpHead, play(3*h, starts(600, 0)), nil},
		// 1200 s run: duty under 20 % once 720 s are left in the hour
		{"run-on: cleared by duty", sumpHead, play(3*h, starts(1200, 0)), []string{"pump-run-on - high 10m0s/20m0s/1h8m0.000001s"}},
		{"run-on: still on", sumpHead, play(30*m, func(tp *tape) { tp.every(0, 30*m, m, "sump/pump-on", true) }), []string{"pump-run-on - high 10m0s/10m0s/open"}},
		{"run-on: withdrawn by a short run", sumpHead, play(2*h, func(tp *tape) {
			tp.every(0, 2*m, m, "sump/pump-on", true)
			tp.late(31*m, 0, "sump/pump-run", 95)
		}), nil},
		// 9 min of every 17: 52.9 %
		{"run-on: duty over half", sumpHead, play(5*h, train(7, 17*m, 540)), []string{"pump-run-on - high 54m0.000001s/1h0m0s/2h31m0.000001s"}},
		// five like cycles at 18 s = 1.5 × 12
		{"weak: five at 1.5", sumpHead, play(5*h, train(5, 30*m, 18)), []string{"pump-weak - low 2h0m18s/2h0m18s/open"}},
		{"weak: 17.9 s", sumpHead, play(5*h, train(6, 30*m, 17.9)), nil},
		{"weak: cleared by five within 1.2", sumpHead, play(7*h, func(tp *tape) {
			train(6, 30*m, 18)(tp)
			for i := range 5 {
				tp.run(3*h+time.Duration(i)*30*m, 14.4)
			}
		}), []string{"pump-weak - low 2h0m18s/2h0m18s/5h0m14.4s"}},
		// a cycle with 9 min rest before it is not like, and does not break the row
		{"weak: unlike cycles do not count", sumpHead, play(5*h, func(tp *tape) {
			train(5, 30*m, 18)(tp)
			tp.run(30*m+9*m, 12)
		}), []string{"pump-weak - low 2h0m18s/2h0m18s/open"}},
		{"backup: any cycle", strings.Replace(sumpHead, "  - {id: sump,", "  - {id: spare, measures: [pump-run], pump: backup}\n  - {id: sump,", 1), play(30*h, func(tp *tape) {
			tp.runOf("spare", 0, 12)
			tp.run(2*h, 12)
		}), []string{"backup-pump-ran - high 0s/12s/24h0m12s"}},
		{"backup: stays until the primary runs", strings.Replace(sumpHead, "  - {id: sump,", "  - {id: spare, measures: [pump-run], pump: backup}\n  - {id: sump,", 1), play(30*h, func(tp *tape) {
			tp.runOf("spare", 0, 12)
			tp.run(26*h, 12)
		}), []string{"backup-pump-ran - high 0s/12s/26h0m0s"}},
	}
}

func floatCases() []contractCase {
	file := sumpHead + "  - {id: floor, measures: [leak]}\n  - {id: panel, measures: [mains]}\n  - {id: outlet, measures: [mains], circuit: pump}\n  - {id: node, measures: [battery]}\n"
	play := func(end time.Duration, f func(*tape)) func(*tape) {
		return func(tp *tape) { tp.beat(-3*h, end); f(tp); tp.end(end) }
	}
	flips := func(name string, at ...time.Duration) func(*tape) {
		return func(tp *tape) {
			for i, t := range at {
				tp.at(t, name, i%2 == 0)
			}
		}
	}
	mains := func(name string, at ...time.Duration) func(*tape) {
		return func(tp *tape) {
			for i, t := range at {
				tp.at(t, name, i%2 == 1)
			}
		}
	}
	return []contractCase{
		{"float: 59 s", file, play(h, flips("sump/high-water", 0, 59*s)), nil},
		{"float: 61 s", file, play(h, flips("sump/high-water", 0, 61*s)), []string{"high-water - urgent 1m0s/1m0s/11m1s"}},
		{"float: dry 9 min only", file, play(2*h, flips("sump/high-water", 0, 5*m, 14*m, 20*m)), []string{"high-water - urgent 1m0s/1m0s/30m0s"}},
		{"leak: at its own point", file, play(h, flips("floor/leak", 0, 5*m)), []string{"leak floor high 1m0s/1m0s/15m0s"}},
		// 16 in = 406.4 mm
		{"level: 407 mm", file, play(2*h, func(tp *tape) {
			tp.at(0, "sump/water-level", 300)
			tp.at(5*m, "sump/water-level", 407)
			tp.at(15*m, "sump/water-level", 300)
		}), []string{"high-water - urgent 5m0s/5m0s/25m0s"}},
		{"level: 406 mm", file, play(2*h, func(tp *tape) { tp.at(0, "sump/water-level", 406); tp.at(15*m, "sump/water-level", 300) }), nil},
		{"mains: 5 min", file, play(h, mains("panel/mains", 0, 20*m)), []string{"mains-lost - high 5m0s/5m0s/25m0s"}},
		{"mains: 4 min", file, play(h, mains("panel/mains", 0, 4*m)), nil},
		{"mains: one outlet", file, play(h, mains("outlet/mains", 0, 20*m)), []string{"mains-lost - high 5m0s/5m0s/25m0s"}},
		{"battery: a day under 15", file, play(60*h, func(tp *tape) {
			tp.every(0, 30*h, 6*h, "node/battery", 14)
			tp.every(30*h, 42*h, 6*h, "node/battery", 25)
			tp.every(42*h, 60*h, 6*h, "node/battery", 26)
		}),
			[]string{"battery-low node low 24h0m0s/24h0m0s/42h0m0s"}},
		{"battery: 15 is enough", file, play(60*h, func(tp *tape) { tp.every(0, 60*h, 6*h, "node/battery", 15) }), nil},
		// a reset clock: refused for its time, evaluated at receipt
		{"float: clock reset", file, play(h, func(tp *tape) {
			tp.late(0, -400*d, "sump/high-water", true)
			tp.late(5*m, -400*d+5*m, "sump/high-water", false)
		}), []string{"high-water - urgent 1m0s/1m0s/15m0s"}},
		{"leak: clock ahead", file, play(h, func(tp *tape) {
			tp.late(0, 11*m, "floor/leak", true)
			tp.late(5*m, 16*m, "floor/leak", false)
		}), []string{"leak floor high 1m0s/1m0s/15m0s"}},
		// days later: forwarded, raised in event time, known at receipt
		{"float: forwarded after two days", file, func(tp *tape) {
			tp.beat(-3*h, 50*h)
			tp.gateway = "gw2"
			tp.late(48*h, 0, "sump/high-water", true)
			tp.late(48*h, 10*m, "sump/high-water", false)
			tp.late(48*h, 47*h, "sump/high-water", false)
		}, []string{"high-water - urgent 1m0s/48h0m0s/20m0s"}},
	}
}

func silenceCases() []contractCase {
	file := tapeHead + `points:
  - {id: a, measures: [rh], every: 5m}
  - {id: b, measures: [rh], every: 30m}
  - {id: panel, measures: [mains]}
limits: {sensor-suspect: off, humidity-drift: off}
`
	two := tapeHead + `points:
  - {id: a, measures: [rh], every: 15m, gateway: gw1}
  - {id: b, measures: [rh], every: 5m, gateway: gw2}
limits: {sensor-suspect: off, humidity-drift: off}
`
	presence := func(tp *tape, at time.Duration, what string) { tp.line(at, "presence", strconv.Quote(what)) }
	return []contractCase{
		// last message at -5 min; 3 × 5 min is under the least of 30 min
		{"gateway: 30 min", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			tp.every(h, 2*h, 5*m, "a/rh", 50)
			tp.every(h, 2*h, 30*m, "b/rh", 50)
			tp.end(2 * h)
		}, []string{"gateway-silent - medium 25m0s/25m0s/1h0m0s"}},
		{"gateway: 29 min", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			tp.every(24*m, 2*h, 5*m, "a/rh", 50)
			tp.every(24*m, 2*h, 30*m, "b/rh", 50)
		}, nil},
		// forwarding later does not withdraw it; the forwarded hour was covered, so no point was silent
		{"gateway: forwarding does not withdraw", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			for t := time.Duration(0); t < 12*h; t += 5 * m {
				tp.late(12*h, t, "a/rh", 50)
				if t%(30*m) == 0 {
					tp.late(12*h, t, "b/rh", 50)
				}
			}
			tp.every(12*h, 14*h, 5*m, "a/rh", 50)
			tp.every(12*h, 14*h, 30*m, "b/rh", 50)
		}, []string{"gateway-silent - medium 25m0s/25m0s/12h0m0s"}},
		{"gateway: offline for 30 min", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			presence(tp, m, "offline")
			presence(tp, 50*m, "online")
			tp.every(50*m, 2*h, 5*m, "a/rh", 50)
			tp.every(50*m, 2*h, 30*m, "b/rh", 50)
		}, []string{"gateway-silent - medium 25m0s/25m0s/50m0s"}},
		// a retained online seen again is no sign of life
		{"gateway: online again and again", file, func(tp *tape) {
			presence(tp, -2*h, "online")
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			for t := 10 * m; t < h; t += 10 * m {
				presence(tp, t, "online")
			}
		}, []string{"gateway-silent - medium 25m0s/25m0s/open"}},
		// gw2 falls silent, gw1 speaks: 30 min after its last at -5 min; point b goes under it at -5 min + 2 h
		{"gateway: one of two", two, func(tp *tape) {
			tp.every(-2*h, 6*h, 15*m, "a/rh", 50)
			tp.gateway = "gw2"
			tp.every(-2*h, 0, 5*m, "b/rh", 50)
		}, []string{"gateway-silent - medium 25m0s/25m0s/open"}},
		// 6 × 5 min is under the least of 2 h
		{"point: two hours", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 6*h, 15*m, "b/rh", 50)
			tp.every(3*h, 6*h, 5*m, "a/rh", 50)
		}, []string{"point-silent a low 1h55m0s/1h55m0s/3h0m0s"}},
		// 6 × 30 min
		{"point: six intervals", file, func(tp *tape) {
			tp.every(-2*h, 6*h, 5*m, "a/rh", 50)
			tp.every(-2*h, 1, 30*m, "b/rh", 50)
			tp.every(4*h, 6*h, 30*m, "b/rh", 50)
		}, []string{"point-silent b low 3h0m0s/3h0m0s/4h0m0s"}},
		{"mains over gateway over point", file, func(tp *tape) {
			tp.every(-2*h, 0, 5*m, "a/rh", 50)
			tp.every(-2*h, 0, 30*m, "b/rh", 50)
			tp.at(0, "panel/mains", false)
			tp.every(0, 10*m, 5*m, "a/rh", 50)
			tp.every(5*h, 8*h, 5*m, "a/rh", 50)
			tp.every(5*h, 8*h, 30*m, "b/rh", 50)
			tp.at(5*h, "panel/mains", true)
		}, []string{"mains-lost - high 5m0s/5m0s/5h5m0s", "gateway-silent - medium 35m0s/35m0s/5h0m0s under mains-lost"}},
	}
}
