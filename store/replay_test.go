package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/visit"
)

func TestEachMessageComesAsItCame(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	from := testNow.Add(-6 * time.Hour)
	at := func(m int) time.Time { return from.Add(time.Duration(m) * time.Minute) }
	said := func(m int, rs ...Reading) Delivery {
		return Delivery{Property: "heron-07", Gateway: "main", Received: at(m), Readings: rs}
	}
	rh := func(m int, v float64) Reading {
		return Reading{Point: "north-bay", Quantity: site.RH, At: at(m), Value: v}
	}
	temp := func(m int, v float64) Reading {
		return Reading{Point: "north-bay", Quantity: site.AirTemp, At: at(m), Value: v}
	}
	record(t, s, said(10, rh(9, 50), temp(9, 20)))
	record(t, s, said(11, rh(9, 50))) // brings nothing new, and is a sign of life
	offline := said(12)
	offline.Presence = PresenceOffline
	record(t, s, offline)
	record(t, s, said(60, rh(5, 48), rh(50, 52))) // forwarded late
	record(t, s, said(70, rh(-5, 47)))            // measured before the period

	type got struct {
		Minute   int
		Presence alerting.Presence
		Minutes  []int
		Values   []float64
	}
	var all []got
	err := s.EachMessage(t.Context(), "heron-07", from, testNow, func(m alerting.Message) error {
		g := got{Minute: int(m.Received.Sub(from).Minutes()), Presence: m.Contact.Presence}
		if m.Contact.At != m.Received.UnixMicro() || m.Contact.Gateway != 0 {
			t.Errorf("contact %+v of %s", m.Contact, m.Received)
		}
		for _, r := range m.Readings {
			g.Minutes = append(g.Minutes, int(time.UnixMicro(r.At).Sub(from).Minutes()))
			g.Values = append(g.Values, r.Value)
		}
		all = append(all, g)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []got{{10, 0, []int{9, 9}, []float64{50, 20}}, {11, 0, nil, nil}, {12, alerting.PresenceOffline, nil, nil}, {60, 0, []int{5, 50}, []float64{48, 52}}}
	if diff := cmp.Diff(want, all); diff != "" {
		t.Error(diff)
	}
	stop := errors.New("enough")
	if err := s.EachMessage(t.Context(), "heron-07", from, testNow, func(alerting.Message) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("%v", err)
	}
	if err := s.EachMessage(t.Context(), "no-such", from, testNow, nil); !errors.Is(err, ErrNotFound) {
		t.Errorf("%v", err)
	}
}

// live is a property under the service, minute by minute.
type live struct {
	t     *testing.T
	s     *Store
	now   time.Time
	wrong int // refused readings so far
}

// hear records a message and evaluates; with beats in between, as the service does.
func (l *live) hear(rs []Reading, refused ...Refusal) {
	record(l.t, l.s, Delivery{Property: "heron-07", Gateway: "main", Received: l.now, Readings: rs, Refused: refused})
	evaluateAll(l.t, l.s, l.now)
}

func (l *live) beat() {
	if err := l.s.Beat(l.t.Context(), l.now); err != nil {
		l.t.Fatal(err)
	}
	evaluateAll(l.t, l.s, l.now)
}

// wait lets minutes go by; the service listens or not.
func (l *live) wait(minutes int, listening bool) {
	for range minutes {
		l.now = l.now.Add(20 * time.Second)
		for range 2 {
			if listening {
				l.beat()
			}
			l.now = l.now.Add(20 * time.Second)
		}
		if listening {
			l.beat()
		}
	}
}

func (l *live) air(at time.Time, v, temp float64) []Reading {
	return []Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: v}, {Point: "north-bay", Quantity: site.AirTemp, At: at, Value: temp}}
}

// impossible is a reading of the south bay that was refused for its value.
func (l *live) impossible() Refusal {
	l.wrong++
	return Refusal{Topic: "underkeep/1/heron-07/main/readings", Payload: []byte("[]"), PayloadBytes: 2, Point: "south-bay", Quantity: site.RH,
		Reason: ReasonImpossible, Detail: fmt.Sprintf("impossible, number %d", l.wrong), At: l.now, Value: 140 + float64(l.wrong)}
}

// bucketTest records that the pump took 20 s to draw the basin down, just now. What it
// takes afterwards, 31 s, is weak by that measure and by no other.
func (l *live) bucketTest() {
	wrote(l.t)(l.s.AddPumpTest(l.t.Context(), visitBy("bucket", l.now), "heron-07", "",
		visit.PumpTest{At: l.now.Add(-time.Minute), Method: visit.ByBucket, Ran: true, PouredL: 25, DrawDownS: 20}))
}

// play is half a day: cold air, a time in which the service is deaf, a gateway
// that falls silent and forwards later, values that cannot be, a pump that is tested
// between cycles that last too long for the test and not for the pump as built.
func (l *live) play() {
	l.beat()
	for i := range 90 { // seven and a half hours
		temp := 20.0
		if i >= 5 && i < 25 || i >= 50 && i < 68 {
			temp = 2
		}
		switch {
		case i == 30: // twenty minutes of silence, then the service is away for an hour
			l.wait(20, true)
			l.wait(60, false)
			l.beat()
		case i == 60: // silent for fifty minutes, and forwards
			l.wait(50, true)
			l.hear(l.air(l.now.Add(-25*time.Minute), 56, temp))
		}
		var refused []Refusal
		if i >= 70 && i < 83 {
			refused = append(refused, l.impossible())
		}
		said := l.air(l.now, 56, temp)
		if i%3 == 0 {
			said = append(said, Reading{Point: "sump", Quantity: site.PumpRun, At: l.now.Add(-time.Minute), Value: 31})
		}
		if i == 22 {
			l.bucketTest()
		}
		l.hear(said, refused...)
		l.wait(5, true)
	}
	l.wait(40, true)
}

// Rehearsed over what it stored, the evaluator raises what the live service
// raised, at the times at which it did: its own deafness is held against
// nobody, late data is late again, and what was refused speaks against the sensor.
func TestHistoryRehearsedEqualsWhatWasLive(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	begin := testNow.Add(-14 * time.Hour).Truncate(time.Hour)
	l := &live{t: t, s: s, now: begin}
	l.play()
	d, err := s.Description("heron-07")
	if err != nil {
		t.Fatal(err)
	}
	r := alerting.NewReplay(d)
	if err := s.EachMessage(t.Context(), "heron-07", begin.Add(-time.Hour), l.now, r.Receive); err != nil {
		t.Fatal(err)
	}
	r.Pass(l.now)
	var want []alerting.Alarm
	for _, a := range alarms(t, s, AlarmQuery{Now: l.now}) {
		want = append(want, a.Alarm)
	}
	got := r.Alarms()
	byCondition := func(a, b alerting.Alarm) int {
		if c := a.RaisedAt.Compare(b.RaisedAt); c != 0 {
			return c
		}
		return strings.Compare(string(a.Condition)+a.Point, string(b.Condition)+b.Point)
	}
	slices.SortFunc(want, byCondition)
	slices.SortFunc(got, byCondition)
	for i := range want {
		if len(want[i].Remarks) == 0 {
			want[i].Remarks = nil // the database knows no difference
		}
	}
	for i := range min(len(want), len(got)) {
		if apart := got[i].KnownAt.Sub(want[i].KnownAt).Abs(); apart > time.Minute {
			t.Errorf("%s known %s apart; a timer is looked at every twenty seconds here", got[i].Condition, apart)
		}
		got[i].KnownAt = want[i].KnownAt
	}
	kinds := map[site.Condition]int{}
	for _, a := range want {
		kinds[a.Condition]++
	}
	if kinds[site.GatewaySilent] != 2 || kinds[site.FreezeRisk] != 1 || kinds[site.PointSilent] != 1 || kinds[site.SensorSuspect] != 2 || kinds[site.PumpWeak] != 1 {
		t.Errorf("the live service raised %v; want two silences (and none for its own), one silent point, frost, two suspect sensors, a weak pump", kinds)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("live (-) and rehearsed (+) differ:\n%s", diff)
	}
}
