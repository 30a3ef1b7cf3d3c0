package alerting

import (
	gocmp "cmp"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"underkeep/store/site"
)

// drawHistory draws two to four days in which something or other goes wrong.
func drawHistory(t *rapid.T) []Message {
	d := describe(testProperty())
	series := map[Series]uint16{}
	for i, s := range d.Series {
		series[s] = uint16(i)
	}
	start := time.Date(2026, 6, 1, 4, 0, 0, 0, time.UTC)
	days := rapid.IntRange(2, 4).Draw(t, "days")
	end := time.Duration(days) * 24 * time.Hour
	var out []Message
	put := func(at time.Duration, point string, q site.Quantity, v float64) {
		us := start.Add(at).UnixMicro()
		out = append(out, Message{Readings: []Reading{{At: us, Value: v, Series: series[Series{point, q}]}}})
	}
	rh := rapid.SliceOfN(rapid.Float64Range(35, 85), days*4, days*4).Draw(t, "rh")
	gap := rapid.IntRange(0, days*24).Draw(t, "gap")
	for at := time.Duration(0); at < end; at += 5 * time.Minute {
		k := at.Hours() / 6
		i := int(k)
		v := rh[i] + (rh[min(i+1, len(rh)-1)]-rh[i])*(k-float64(i))
		if int(at.Hours()) != gap {
			put(at, "north", site.RH, math.Round(v*10)/10)
			put(at, "north", site.AirTemp, 18+float64(i%5))
		}
		put(at, "south", site.RH, math.Round(v*10)/10-2)
		put(at, "south", site.AirTemp, 18)
		put(at, "duct", site.SurfaceTemp, 12+float64(i%7))
		put(at, "dryer", site.DehumidifierPower, float64(rapid.SampledFrom([]int{0, 520}).Draw(t, "power")))
	}
	for range rapid.IntRange(0, 40).Draw(t, "cycles") {
		at := time.Duration(rapid.Int64Range(0, int64(end/time.Second)).Draw(t, "cycle")) * time.Second
		put(at, "sump", site.PumpRun, float64(rapid.SampledFrom([]int{5, 20, 31, 400, 700}).Draw(t, "run")))
	}
	for range rapid.IntRange(0, 6).Draw(t, "events") {
		at := time.Duration(rapid.Int64Range(0, int64(end/time.Second)).Draw(t, "event")) * time.Second
		s := rapid.SampledFrom([]Series{{"floor", site.Leak}, {"sump", site.HighWater}, {"house", site.Mains}, {"sump", site.PumpOn}}).Draw(t, "state")
		put(at, s.Point, s.Quantity, float64(rapid.IntRange(0, 1).Draw(t, "value")))
	}
	slices.SortStableFunc(out, func(a, b Message) int { return byTime(a.Readings[0], b.Readings[0]) })
	out = slices.CompactFunc(out, func(a, b Message) bool { return byTime(a.Readings[0], b.Readings[0]) == 0 })
	for range rapid.IntRange(0, 3).Draw(t, "tests") {
		i := rapid.IntRange(0, len(out)-1).Draw(t, "test")
		at := out[i].at() + int64(rapid.IntRange(-1, 1).Draw(t, "off"))*µsSecond
		test := PumpTest{At: at, DrawDownS: rapid.SampledFrom([]float64{0, 12, 45}).Draw(t, "draw-down")}
		if !slices.ContainsFunc(out, func(m Message) bool { return len(m.Tests) > 0 && m.at() == at }) {
			out = append(out, Message{Tests: []PumpTest{test}})
		}
	}
	slices.SortStableFunc(out, func(a, b Message) int { return gocmp.Compare(a.at(), b.at()) })
	return out
}

// at is the event time of a message of one reading or test.
func (m Message) at() int64 {
	if len(m.Tests) > 0 {
		return m.Tests[0].At
	}
	return m.Readings[0].At
}

// byEventTime keeps the alarms that delivery order must not change, without the
// receipt times.
func byEventTime(r *Replay) []Alarm {
	var out []Alarm
	for _, a := range r.Alarms() {
		if byReceipt(&a) {
			continue
		}
		a.KnownAt = time.Time{}
		a.Causes, a.CallOut, a.Remarks = nil, "", nil // told once, then kept as told
		out = append(out, a)
	}
	return out
}

// replayAll delivers messages in batches at even receipt times that end alike.
func replayAll(t *rapid.T, ms []Message, batch func() int, restart bool) *Replay {
	r := NewReplay(describe(testProperty()))
	now := time.Date(2026, 6, 6, 4, 0, 0, 0, time.UTC)
	for len(ms) > 0 {
		n := min(max(batch(), 1), len(ms))
		m := Message{Received: now, Contact: Contact{At: now.UnixMicro()}}
		for _, x := range ms[:n] {
			m.Readings = append(m.Readings, x.Readings...)
			m.Tests = append(m.Tests, x.Tests...)
		}
		if err := r.Receive(m); err != nil {
			t.Fatal(err)
		}
		if restart {
			// Checkpoints as before: going back to another one may word the evidence for a
			// cause otherwise, when a batch ended between the readings of one instant.
			state, marks := r.ev.State(), r.ev.markEvery
			r.ev = New(describe(testProperty()))
			r.ev.markEvery = marks
			if err := r.ev.Restore(state); err != nil {
				t.Fatal(err)
			}
		}
		ms = ms[n:]
		now = now.Add(time.Millisecond)
	}
	if err := r.Receive(Message{Received: now.Add(time.Hour), Silent: true}); err != nil {
		t.Fatal(err)
	}
	return r
}

func TestAnyOrderAndBatchingEndInTheSameAlarms(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ms := drawHistory(t)
		want := byEventTime(replayAll(t, ms, func() int { return len(ms) }, false))
		inOrder := byEventTime(replayAll(t, ms, func() int { return 97 }, false))
		if d := cmp.Diff(want, inOrder); d != "" {
			t.Fatalf("in order, in batches (-all at once +batches):\n%s", d)
		}
		shuffled := shuffle(t, ms)
		late := byEventTime(replayAll(t, shuffled, func() int { return rapid.IntRange(100, 900).Draw(t, "batch") }, false))
		if d := cmp.Diff(want, late); d != "" {
			t.Fatalf("shuffled (-in order +shuffled):\n%s", d)
		}
	})
}

// shuffle holds some stretches back, as a gateway that stores and forwards does,
// and swaps neighbours.
func shuffle(t *rapid.T, ms []Message) []Message {
	out := slices.Clone(ms)
	for range rapid.IntRange(0, 20).Draw(t, "swaps") {
		i := rapid.IntRange(0, len(out)-2).Draw(t, "swap")
		out[i], out[i+1] = out[i+1], out[i]
	}
	a := rapid.IntRange(0, len(out)-1).Draw(t, "from")
	b := rapid.IntRange(a, len(out)).Draw(t, "to")
	held := slices.Clone(out[a:b])
	return append(slices.Delete(out, a, b), held...)
}

func TestRestartAtAnyPointChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ms := drawHistory(t)
		size := rapid.IntRange(200, 900).Draw(t, "size")
		plain := replayAll(t, ms, func() int { return size }, false)
		restarted := replayAll(t, ms, func() int { return size }, true)
		if d := cmp.Diff(plain.Alarms(), restarted.Alarms()); d != "" {
			t.Fatalf("(-without +with restarts):\n%s", d)
		}
		if !slices.Equal(plain.ev.State(), restarted.ev.State()) {
			t.Fatal("states differ")
		}
	})
}

func TestStateStaysSmall(t *testing.T) {
	t.Parallel()
	tl := newTimeline(t)
	for _, p := range []string{"north", "south"} {
		// The worst week for the humidity limits: across them with every reading.
		tl.every(5*time.Minute, 0, 8*24*h, p, site.RH, func(at time.Duration) float64 { return 54 + float64(int(at.Minutes())/5%2*20) })
		tl.every(5*time.Minute, 0, 8*24*h, p, site.AirTemp, constant(20))
	}
	tl.every(time.Minute, 0, 8*24*h, "sump", site.PumpRun, constant(20))
	tl.run()
	if n := len(tl.replay.ev.State()); n > 64<<10 {
		t.Errorf("state of %d bytes, want at most 64 KB", n)
	} else {
		t.Logf("state of %d bytes", n)
	}
}

// BenchmarkEvaluate walks a year of six air points, a duct, power and a pump,
// in packs of five minutes.
func BenchmarkEvaluate(b *testing.B) {
	p := testProperty()
	for _, id := range []string{"east", "west", "hatch", "beam"} {
		p.Points = append(p.Points, site.Point{ID: id, Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute})
	}
	d := describe(p)
	ms := year(d, time.Date(2026, 6, 1, 4, 0, 0, 0, time.UTC), 365)
	readings := 0
	for _, m := range ms {
		readings += len(m.Readings)
	}
	b.ReportAllocs()
	for b.Loop() {
		r := NewReplay(d)
		for i := range ms {
			if err := r.Receive(ms[i]); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(readings)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

func year(d Description, start time.Time, days int) []Message {
	var out []Message
	for k := range days * 288 {
		at := start.Add(time.Duration(k) * 5 * time.Minute)
		m := Message{Received: at.Add(time.Second), Contact: Contact{At: at.Add(time.Second).UnixMicro()}}
		for i, s := range d.Series {
			v, ok := 0.0, true
			switch s.Quantity {
			case site.RH:
				v = 52 + 6*math.Sin(float64(k)/288/30*2*math.Pi) + float64((k*7+i*3)%20)/10
			case site.AirTemp:
				v = 18 + 4*math.Sin(float64(k)/288/60*2*math.Pi)
			case site.SurfaceTemp:
				v = 16
			case site.DehumidifierPower:
				v = float64(k/6%2) * 520
			default:
				ok = s.Quantity == site.PumpRun && s.Point == "sump" && k%144 == 0
				v = 20
			}
			if ok {
				m.Readings = append(m.Readings, Reading{At: at.UnixMicro(), Received: m.Received.UnixMicro(), Value: v, Series: uint16(i)})
			}
		}
		out = append(out, m)
	}
	return out
}
