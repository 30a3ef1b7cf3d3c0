package alerting

import (
	"slices"
	"testing"
	"time"

	"underkeep/store/site"
)

// A timeline is a hand-worked history of one property, replayed message by
// message as it would have arrived.
type timeline struct {
	t      *testing.T
	start  time.Time
	replay *Replay
	series map[Series]uint16
	queue  []Message
}

var installed = site.Date{Year: 2026, Month: 3, Day: 2}

// testProperty has every kind of point; tests feed those they need.
func testProperty() site.Property {
	return site.Property{
		ID: "tern-03", Name: "3 Tern Row", Timezone: "America/New_York", Units: site.US, Installed: installed,
		Dehumidifier: &site.Dehumidifier{SetpointRHPct: 50},
		ExhaustFan:   &site.ExhaustFan{FlowLps: 10},
		Sump: &site.Sump{BasinDiameterM: 0.4572, FloatOnM: 0.3048, FloatOffM: 0.1524, HighWaterM: 0.4064,
			CommissionedDrawDown: 20 * time.Second, WaterHistory: "damp"},
		Points: []site.Point{
			{ID: "north", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute},
			{ID: "south", Measures: []site.Quantity{site.RH, site.AirTemp}, Every: 5 * time.Minute},
			{ID: "duct", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "duct", Air: "north", Every: 5 * time.Minute},
			{ID: "joist", Measures: []site.Quantity{site.WoodMoisture}, Every: time.Hour},
			{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.PumpOn, site.HighWater, site.WaterLevel}},
			{ID: "spare", Measures: []site.Quantity{site.PumpRun}, Pump: "backup"},
			{ID: "floor", Measures: []site.Quantity{site.Leak}},
			{ID: "gauge", Measures: []site.Quantity{site.Rain}},
			{ID: "house", Measures: []site.Quantity{site.Mains}},
			{ID: "dryer", Measures: []site.Quantity{site.DehumidifierPower}, Every: 5 * time.Minute},
			{ID: "fan", Measures: []site.Quantity{site.FanPower}, Every: 5 * time.Minute},
			{ID: "out", Measures: []site.Quantity{site.RH, site.AirTemp}, Outdoors: true, Every: 15 * time.Minute},
			{ID: "cell", Measures: []site.Quantity{site.Battery}},
		},
	}
}

func describe(versions ...site.Property) Description {
	d := Description{Property: versions[0].ID, Versions: versions, Gateways: []string{"gw-1", "gw-2"}}
	for _, p := range versions[0].Points {
		for _, q := range p.Measures {
			d.Series = append(d.Series, Series{p.ID, q})
		}
	}
	return d
}

// newTimeline starts well after the drying-out time, at a local midnight.
func newTimeline(t *testing.T, versions ...site.Property) *timeline {
	t.Helper()
	if len(versions) == 0 {
		versions = []site.Property{testProperty()}
	}
	d := describe(versions...)
	tl := &timeline{t: t, start: time.Date(2026, 6, 1, 4, 0, 0, 0, time.UTC), replay: NewReplay(d), series: map[Series]uint16{}}
	for i, s := range d.Series {
		tl.series[s] = uint16(i)
	}
	return tl
}

// put adds one reading, received two seconds after its time.
func (tl *timeline) put(at time.Duration, point string, q site.Quantity, v float64) {
	tl.putLate(at, at+2*time.Second, point, q, v)
}

func (tl *timeline) putLate(at, received time.Duration, point string, q site.Quantity, v float64) {
	s, ok := tl.series[Series{point, q}]
	if !ok {
		tl.t.Fatalf("no series %s/%s", point, q)
	}
	rt := tl.start.Add(received)
	tl.queue = append(tl.queue, Message{Received: rt, Contact: Contact{At: rt.UnixMicro()},
		Readings: []Reading{{At: tl.start.Add(at).UnixMicro(), Received: rt.UnixMicro(), Value: v, Series: s}}})
}

// every puts a value at a fixed interval over [from, to).
func (tl *timeline) every(step, from, to time.Duration, point string, q site.Quantity, value func(time.Duration) float64) {
	for at := from; at < to; at += step {
		tl.put(at, point, q, value(at))
	}
}

// air keeps one air point at a humidity and 20 °C.
func (tl *timeline) air(point string, from, to time.Duration, rh float64) {
	tl.every(5*time.Minute, from, to, point, site.RH, constant(rh))
	tl.every(5*time.Minute, from, to, point, site.AirTemp, constant(20))
}

func constant(v float64) func(time.Duration) float64 {
	return func(time.Duration) float64 { return v }
}

// alarms replays everything and returns what was raised of one condition.
func (tl *timeline) alarms(c site.Condition) []Alarm {
	tl.t.Helper()
	tl.run()
	var out []Alarm
	for _, a := range tl.replay.Alarms() {
		if a.Condition == c {
			out = append(out, a)
		}
	}
	return out
}

func (tl *timeline) run() {
	tl.t.Helper()
	sortMessages(tl.queue)
	for _, m := range tl.queue {
		if err := tl.replay.Receive(m); err != nil {
			tl.t.Fatal(err)
		}
	}
	tl.queue = nil
}

func sortMessages(ms []Message) {
	slices.SortStableFunc(ms, func(a, b Message) int { return a.Received.Compare(b.Received) })
}

// one expects a single alarm, raised at an offset from the start.
func (tl *timeline) one(c site.Condition, raised time.Duration) Alarm {
	tl.t.Helper()
	as := tl.alarms(c)
	if len(as) != 1 {
		tl.t.Fatalf("%s: want one alarm, got %d: %v", c, len(as), as)
	}
	if got := as[0].RaisedAt.Sub(tl.start); got != raised {
		tl.t.Fatalf("%s: raised %v after the start, want %v", c, got, raised)
	}
	return as[0]
}

func (tl *timeline) none(c site.Condition) {
	tl.t.Helper()
	if as := tl.alarms(c); len(as) != 0 {
		tl.t.Fatalf("%s: want no alarm, got %v", c, as)
	}
}

func (tl *timeline) clearedAt(a Alarm, at time.Duration) {
	tl.t.Helper()
	if got := a.ClearedAt.Sub(tl.start); a.ClearedAt.IsZero() || got != at {
		tl.t.Fatalf("%s: cleared %v after the start, want %v", a.Condition, got, at)
	}
}
