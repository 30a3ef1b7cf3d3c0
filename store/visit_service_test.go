package store

import (
	"testing"
	"time"

	"underkeep/store/site"
	"underkeep/store/visit"
)

// What was recorded at visits is what the plan counts from.
func TestServiceHistory(t *testing.T) {
	t.Parallel()
	s, ctx, at := openTest(t), t.Context(), testNow
	withCottages(t, s, "heron-07", "tern-12")
	must := wrote(t)
	record(t, s, weakening("heron-07", at.Add(-12*time.Hour), 3))
	evaluateAll(t, s, at)
	id := must(s.PlanVisit(ctx, visitBy("", at), visit.Plan{Property: "heron-07", Kind: visit.HandOver})).Visit
	must(s.StartVisit(ctx, visitBy("", at), id, visit.Start{}))
	must(s.AddPumpTest(ctx, visitBy("", at), "heron-07", id, visit.PumpTest{Method: visit.ByFloat, Ran: true}))
	must(s.AddPumpTest(ctx, visitBy("", at.Add(time.Minute)), "heron-07", id, visit.PumpTest{Method: visit.ByFloat}))
	must(s.AddSensorCheck(ctx, visitBy("", at), "heron-07", id, visit.SensorCheck{Point: "south-bay", Salt: "NaCl", TempC: 20, ReadPct: 75}))
	must(s.SignOff(ctx, visitBy("", at.Add(time.Hour)), id, visit.Findings{Findings: "handed over", Work: []visit.Work{visit.WorkFilter}}))
	open := must(s.PlanVisit(ctx, visitBy("", at), visit.Plan{Property: "heron-07", Kind: visit.Service})).Visit

	all, err := s.ServiceHistories(ctx, ServiceQuery{Scope: AllProperties, Now: at})
	if err != nil || len(all) != 2 || all[0].Property != "heron-07" {
		t.Fatalf("%+v, %v", all, err)
	}
	h := all[0]
	if !h.Filter.Equal(at.Add(time.Hour)) || !h.HandedOver.Equal(at.Add(time.Hour)) || !h.PumpTest.Equal(at) ||
		!h.Cycle.Equal(at.Add(-10*time.Hour+30*time.Second)) || len(h.Open) != 1 || h.Open[0].ID != open {
		t.Errorf("history %+v", h)
	}
	if !h.Visited[visit.HandOver].Equal(at.Add(time.Hour)) || len(h.Visited) != 1 {
		t.Errorf("visited %v", h.Visited)
	}
	if len(h.Sensors) != 2 || !h.Sensors[0].Check.IsZero() || !h.Sensors[1].Check.Equal(at) {
		t.Errorf("sensors %+v", h.Sensors)
	}
	if v, err := s.HandOver(ctx, AllProperties, "heron-07"); err != nil || v.ID != id {
		t.Errorf("hand-over %v %v", v.ID, err)
	}
	only, err := s.ServiceHistories(ctx, ServiceQuery{Scope: Scope{Properties: []string{"tern-12"}}})
	if err != nil || len(only) != 1 || only[0].Property != "tern-12" {
		t.Errorf("in scope: %+v, %v", only, err)
	}
}

// A technician is sent to properties of theirs, not to others.
func TestAssignTechnician(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07", "tern-12")
	var lee int32
	err := s.api.QueryRow(ctx, `INSERT INTO person (name, role, all_properties, created_by) VALUES ('L. Marsh', 'technician', false, 'test') RETURNING person_id`).Scan(&lee)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.api.Exec(ctx, `INSERT INTO person_property SELECT $1, property_id FROM property WHERE name = 'heron-07'`, lee); err != nil {
		t.Fatal(err)
	}
	people, err := s.Assignable(ctx, AllProperties, "heron-07")
	if err != nil || len(people) != 1 || people[0].Name != "L. Marsh" {
		t.Errorf("for heron-07: %v, %v", people, err)
	}
	id := wrote(t)(s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "heron-07", Kind: visit.Repair, AssignedTo: lee})).Visit
	if v := theVisit(t, s, id); v.AssignedName != "L. Marsh" {
		t.Errorf("assigned to %q", v.AssignedName)
	}
	if _, err := s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "tern-12", Kind: visit.Repair, AssignedTo: lee}); err == nil {
		t.Error("sent to a property that is not theirs")
	}
	for _, q := range []VisitQuery{{Scope: AllProperties, Assigned: lee}, {Scope: AllProperties, AssignedName: "L. Marsh"}} {
		if page, _, err := s.Visits(ctx, q); err != nil || len(page) != 1 {
			t.Errorf("their visits: %v %v", page, err)
		}
	}
}

// The set assigned last to a day that has begun counts, not what begins later;
// without an assignment, what the file names.
func TestTermsOfTheServicePlan(t *testing.T) {
	t.Parallel()
	s, ctx, at := openTest(t), t.Context(), testNow
	withCottages(t, s, "heron-07")
	terms := func(now time.Time) string {
		t.Helper()
		all, err := s.ServiceHistories(ctx, ServiceQuery{Scope: AllProperties, Now: now})
		if err != nil || len(all) != 1 {
			t.Fatalf("%+v, %v", all, err)
		}
		return all[0].Terms
	}
	before := terms(at)
	day := site.DateOf(at.AddDate(0, 0, 3))
	if err := s.AssignTerms(ctx, AllProperties, "heron-07", TermsAssignment{From: day, Terms: "harbor-55", AssignedBy: "test"}, at); err != nil {
		t.Fatal(err)
	}
	if got := terms(at); got != before {
		t.Errorf("today %q, want %q as before", got, before)
	}
	if got := terms(at.AddDate(0, 0, 4)); got != "harbor-55" {
		t.Errorf("from the day on %q", got)
	}
}
