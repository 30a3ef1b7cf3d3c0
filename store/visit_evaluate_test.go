package store

import (
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// weakening is a pump whose like cycles last 30 s, one an hour.
func weakening(property string, from time.Time, cycles int) Delivery {
	d := Delivery{Property: property, Gateway: "main", Received: from.Add(time.Duration(cycles) * time.Hour)}
	for i := range cycles {
		d.Readings = append(d.Readings, Reading{Point: "sump", Quantity: site.PumpRun, At: from.Add(time.Duration(i) * time.Hour), Value: 30})
	}
	return d
}

func of(tb testing.TB, s *Store, c site.Condition, now time.Time) []AlarmRecord {
	tb.Helper()
	return alarms(tb, s, AlarmQuery{Scope: AllProperties, Condition: c, Now: now})
}

// A bucket test that is recorded after the cycles it is the measure of raises
// the alarm, and taking it back withdraws it.
func TestPumpTestReachesTheEvaluator(t *testing.T) {
	t.Parallel()
	s, ctx, from := openTest(t), t.Context(), testNow.Add(-12*time.Hour)
	withCottages(t, s, "heron-07")
	record(t, s, weakening("heron-07", from, 8))
	evaluateAll(t, s, testNow)
	if as := of(t, s, site.PumpWeak, testNow); len(as) != 0 {
		t.Fatalf("before any test: %+v", as)
	}
	w := wrote(t)(s.AddPumpTest(ctx, visitBy("t", testNow), "heron-07", "",
		visit.PumpTest{At: from.Add(-time.Hour), Method: visit.ByBucket, Ran: true, PouredL: 25, DrawDownS: 20}))
	evaluateAll(t, s, testNow.Add(time.Minute))
	as := of(t, s, site.PumpWeak, testNow)
	// The first cycle ever has no rest before it that anybody knows; the fifth
	// like one is the sixth.
	if len(as) != 1 || !as[0].RaisedAt.Equal(from.Add(5*time.Hour+30*time.Second)) {
		t.Fatalf("after the test: %+v", as)
	}
	wrote(t)(s.Withdraw(ctx, visitBy("w", testNow.Add(time.Minute)), visit.PartID("heron-07", 't', w.Ref), "the other house"))
	evaluateAll(t, s, testNow.Add(2*time.Minute))
	if as := of(t, s, site.PumpWeak, testNow); len(as) != 1 || as[0].WithdrawnAt.IsZero() {
		t.Errorf("after it was taken back: %+v", as)
	}
	if n := count(t, s, `SELECT count(*) FROM evaluation WHERE pump_cycle_at = $1`, from.Add(7*time.Hour+30*time.Second)); n != 1 {
		t.Error("the last cycle is not known to the service plan")
	}
}

// The rehearsal over stored history comes to the alarms of the live service,
// tests included.
func TestStoredHistoryHasItsPumpTests(t *testing.T) {
	t.Parallel()
	s, ctx, from := openTest(t), t.Context(), testNow.Add(-12*time.Hour)
	withCottages(t, s, "heron-07")
	record(t, s, weakening("heron-07", from, 8))
	wrote(t)(s.AddPumpTest(ctx, visitBy("t", testNow), "heron-07", "",
		visit.PumpTest{At: from.Add(-time.Hour), Method: visit.ByBucket, Ran: true, PouredL: 25, DrawDownS: 20}))
	evaluateAll(t, s, testNow.Add(time.Minute))
	live := of(t, s, site.PumpWeak, testNow)
	d, err := s.Description("heron-07")
	if err != nil {
		t.Fatal(err)
	}
	r := alerting.NewReplay(d)
	if err := s.EachMessage(ctx, "heron-07", from.Add(-2*time.Hour), testNow, r.Receive); err != nil {
		t.Fatal(err)
	}
	var got []alerting.Alarm
	for _, a := range r.Alarms() {
		if a.Condition == site.PumpWeak {
			got = append(got, a)
		}
	}
	if len(live) != 1 || len(got) != 1 || !got[0].RaisedAt.Equal(live[0].RaisedAt) {
		t.Errorf("rehearsed %+v, live %+v", got, live)
	}
}

// What a visit brings about is out of service while it lasts, returns by
// itself, and is answered by whoever made the visit; what stood before is not
// touched.
func TestVisitHoldsWhatItBringsAbout(t *testing.T) {
	t.Parallel()
	s, ctx, from := openTest(t), t.Context(), testNow.Add(-12*time.Hour)
	withCottages(t, s, "heron-07")
	must := wrote(t)
	id := must(s.PlanVisit(ctx, visitBy("", from), visit.Plan{Property: "heron-07", Kind: visit.PumpTesting})).Visit
	must(s.StartVisit(ctx, visitBy("", from), id, visit.Start{Disturbs: []visit.Disturbance{visit.PumpTested}, For: 12 * time.Hour}))
	d := Delivery{Property: "heron-07", Gateway: "main", Received: from.Add(time.Hour)}
	for i := range 6 { // rests of 10 s: short, whatever the draw-down
		d.Readings = append(d.Readings, Reading{Point: "sump", Quantity: site.PumpRun, At: from.Add(time.Duration(i) * 20 * time.Second), Value: 10})
	}
	record(t, s, d)
	evaluateAll(t, s, from.Add(2*time.Hour))
	during := of(t, s, site.PumpShortCycling, from.Add(2*time.Hour))
	if len(during) != 1 || during[0].State != StateOutOfService || during[0].HoldBy != "L. Marsh" {
		t.Fatalf("during the visit: %+v", during)
	}
	end := from.Add(3 * time.Hour)
	must(s.SignOff(ctx, visitBy("", end), id, visit.Findings{Findings: "pump works"}))
	after := of(t, s, site.PumpShortCycling, end)
	if len(after) != 1 || after[0].AcknowledgedBy != "L. Marsh" || after[0].State != StateAcknowledged && after[0].State != StateNormal {
		t.Errorf("after the visit: %+v", after)
	}
	journal, err := s.Journal(ctx, AllProperties, during[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]string{}
	for _, e := range journal {
		kinds[e.Kind] = e.Why
	}
	if kinds["out-of-service"] == "" || kinds["acknowledged"] != "brought about by visit "+id+", pump-test" {
		t.Errorf("journal %+v", journal)
	}
	if n := count(t, s, `SELECT count(*) FROM alarm_hold`); n != 0 {
		t.Errorf("%d conditions still out of service", n)
	}
}

// Nobody ended the visit: what it held returns at its time all the same.
func TestForgottenVisitHoldsNothingForEver(t *testing.T) {
	t.Parallel()
	s, ctx, from := openTest(t), t.Context(), testNow.Add(-12*time.Hour)
	withCottages(t, s, "heron-07")
	must := wrote(t)
	id := must(s.PlanVisit(ctx, visitBy("", from), visit.Plan{Property: "heron-07", Kind: visit.Inspection})).Visit
	must(s.StartVisit(ctx, visitBy("", from), id, visit.Start{Disturbs: []visit.Disturbance{visit.HatchOpen}, For: time.Hour}))
	record(t, s, airing("heron-07", from.Add(2*time.Hour), from.Add(11*time.Hour), constant(70)))
	evaluateAll(t, s, testNow)
	as := of(t, s, site.HumidityHigh, testNow)
	if len(as) == 0 || as[0].State != StateUnacknowledged {
		t.Errorf("long after the visit's time: %+v", as)
	}
	c, err := s.CountFleet(ctx, AllProperties, testNow)
	if err != nil || c.ByPriority[alerting.Medium] != 1 {
		t.Errorf("fleet counts %+v, %v", c, err)
	}
}

// The visit closes the thread of the alarm that asked for it.
func TestVisitAnswersItsAlarm(t *testing.T) {
	t.Parallel()
	s, ctx, from := openTest(t), t.Context(), testNow.Add(-12*time.Hour)
	withCottages(t, s, "heron-07")
	record(t, s, airing("heron-07", from, from.Add(11*time.Hour), constant(70)))
	evaluateAll(t, s, testNow)
	alarm := of(t, s, site.HumidityHigh, testNow)[0]
	must := wrote(t)
	id := must(s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "heron-07", Kind: visit.Repair, Alarm: alarm.ID, Reason: "damp"})).Visit
	if v := theVisit(t, s, id); v.Origin != visit.ByAlarm || v.Alarm != alarm.ID {
		t.Errorf("planned %+v", v.Visit)
	}
	must(s.StartVisit(ctx, visitBy("", testNow), id, visit.Start{Disturbs: []visit.Disturbance{visit.HatchOpen}}))
	if a := of(t, s, site.HumidityHigh, testNow)[0]; a.State != StateUnacknowledged {
		t.Errorf("the alarm that stood before is %s", a.State)
	}
	must(s.SignOff(ctx, visitBy("", testNow.Add(time.Hour)), id, visit.Findings{Findings: "breaker reset"}))
	a := of(t, s, site.HumidityHigh, testNow.Add(time.Hour))[0]
	if a.AcknowledgedBy != "L. Marsh" {
		t.Errorf("after the visit %+v", a)
	}
	journal, err := s.Journal(ctx, AllProperties, alarm.ID)
	if err != nil {
		t.Fatal(err)
	}
	last := journal[len(journal)-1]
	if last.Kind != "visited" || last.Why != "visit "+id+": breaker reset" {
		t.Errorf("last line %+v", last)
	}
}
