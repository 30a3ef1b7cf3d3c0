package store

import (
	"errors"
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
	"underkeep/store/visit"
)

func visitBy(key string, at time.Time) VisitWrite {
	return VisitWrite{Scope: AllProperties, By: "L. Marsh", Key: key, Now: at}
}

// wrote fails the test when a write did.
func wrote(tb testing.TB) func(Written, error) Written {
	return func(w Written, err error) Written {
		tb.Helper()
		if err != nil {
			tb.Fatal(err)
		}
		return w
	}
}

func theVisit(tb testing.TB, s *Store, id string) visit.Record {
	tb.Helper()
	v, err := s.Visit(tb.Context(), AllProperties, id)
	if err != nil {
		tb.Fatal(err)
	}
	return v
}

// A visit from plan to sign-off, with everything that can be recorded at it.
func TestVisitFromPlanToSignOff(t *testing.T) {
	t.Parallel()
	s, ctx, at := openTest(t), t.Context(), testNow
	withCottages(t, s, "heron-07")
	must := wrote(t)
	due := site.Date{Year: 2026, Month: 12, Day: 1}
	id := must(s.PlanVisit(ctx, visitBy("plan", at), visit.Plan{Property: "heron-07", Kind: visit.Service, Reason: "filter is due", DueOn: &due, Crew: "north"})).Visit
	if id != "heron-07.v1" {
		t.Fatalf("id %q", id)
	}
	must(s.StartVisit(ctx, visitBy("start", at.Add(time.Minute)), id, visit.Start{}))
	must(s.AddHandReading(ctx, visitBy("r", at.Add(2*time.Minute)), id, visit.HandReading{Quantity: visit.HandRH, Value: 52.5, Place: "north bay"}))
	must(s.AddPart(ctx, visitBy("p", at.Add(3*time.Minute)), id, visit.Part{Part: "filter 8x14 in", Pieces: 2}))
	must(s.AddPhoto(ctx, visitBy("f", at.Add(4*time.Minute)), id, visit.Photo{MediaType: "image/png", Width: 2, Height: 1, Image: []byte("image"), Thumb: []byte("t"), Caption: "liner"}))
	must(s.AddSensorCheck(ctx, visitBy("c", at.Add(5*time.Minute)), "heron-07", id, visit.SensorCheck{Point: "north-bay", Salt: "NaCl", TempC: 25, ReadPct: 78.3}))
	must(s.AddPumpTest(ctx, visitBy("t", at.Add(6*time.Minute)), "heron-07", id, visit.PumpTest{Method: visit.ByBucket, Ran: true, PouredL: 30, DrawDownS: 12}))
	must(s.SignOff(ctx, visitBy("done", at.Add(time.Hour)), id, visit.Findings{Findings: "filter changed", Work: []visit.Work{visit.WorkFilter}}))

	v := theVisit(t, s, id)
	if v.State != visit.Done || v.EndedBy != "L. Marsh" || !v.EndedAt.Equal(at.Add(time.Hour)) || v.DueOn == nil || *v.DueOn != due {
		t.Errorf("visit stands as %+v", v.Visit)
	}
	if len(v.Readings) != 1 || v.Readings[0].Unit != "%RH" || len(v.Parts) != 1 || len(v.Photos) != 1 || len(v.Tests) != 1 || v.Tests[0].FlowLps() != 2.5 {
		t.Errorf("recorded %+v", v)
	}
	// Greenspan (1977): 75.29 %RH over sodium chloride at 25 °C, ± 0.12.
	if c := v.Checks[0]; c.ExpectedPct < 75.28 || c.ExpectedPct > 75.30 || c.OffsetPct < 3.0 || c.OffsetPct > 3.02 || !c.Within {
		t.Errorf("check %+v", c)
	}
	var kinds []string
	for _, e := range v.Journal {
		kinds = append(kinds, e.Kind)
	}
	if got := strings.Join(kinds, " "); got != "planned started reading part photo sensor-check pump-test recorded done" {
		t.Errorf("journal %s", got)
	}
	if _, err := s.RecordFindings(ctx, visitBy("late", at.Add(2*time.Hour)), id, visit.Findings{Findings: "more"}); !errors.Is(err, ErrConflict) {
		t.Errorf("a signed-off visit was changed: %v", err)
	}
}

// The same write again changes nothing; under its key another is refused.
func TestVisitWritesMayRepeat(t *testing.T) {
	t.Parallel()
	s, ctx, at := openTest(t), t.Context(), testNow
	withCottages(t, s, "heron-07")
	plan := visit.Plan{Property: "heron-07", Kind: visit.Inspection}
	must := wrote(t)
	first := must(s.PlanVisit(ctx, visitBy("k", at), plan))
	again := must(s.PlanVisit(ctx, visitBy("k", at.Add(time.Second)), plan))
	if !again.Repeated || again.Visit != first.Visit {
		t.Errorf("repeated plan made %+v after %+v", again, first)
	}
	plan.Kind = visit.Repair
	if _, err := s.PlanVisit(ctx, visitBy("k", at), plan); !errors.Is(err, ErrConflict) {
		t.Errorf("another plan under the same key: %v", err)
	}
	if n := count(t, s, `SELECT count(*) FROM visit`); n != 1 {
		t.Errorf("%d visits", n)
	}
}

// The journal is never changed, not even by the database's owner by mistake.
func TestVisitJournalOnlyGrows(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07")
	wrote(t)(s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "heron-07", Kind: visit.Repair}))
	for _, sql := range []string{`UPDATE visit_journal SET why = 'x'`, `DELETE FROM visit_journal`, `TRUNCATE visit_journal`} {
		if _, err := s.owner.Exec(ctx, sql); err == nil {
			t.Errorf("%s went through", sql)
		}
	}
}

func TestVisitsOutsideTheScopeDoNotExist(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07", "tern-12")
	id := wrote(t)(s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "heron-07", Kind: visit.Repair})).Visit
	other := Scope{Properties: []string{"tern-12"}}
	if _, err := s.Visit(ctx, other, id); !errors.Is(err, ErrNotFound) {
		t.Errorf("read: %v", err)
	}
	w := visitBy("", testNow)
	w.Scope = other
	if _, err := s.StartVisit(ctx, w, id, visit.Start{}); !errors.Is(err, ErrNotFound) {
		t.Errorf("start: %v", err)
	}
	if page, _, err := s.Visits(ctx, VisitQuery{Scope: other}); err != nil || len(page) != 0 {
		t.Errorf("list: %v %v", page, err)
	}
}

// Pages: open ones by day, those without a day last, then ended ones; following
// the pages gives each once.
func TestVisitPages(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07", "tern-12")
	must := wrote(t)
	plan := func(property string, day int) string {
		p := visit.Plan{Property: property, Kind: visit.Service}
		if day > 0 {
			p.DueOn = &site.Date{Year: 2026, Month: 11, Day: day}
		}
		return must(s.PlanVisit(ctx, visitBy("", testNow), p)).Visit
	}
	late, never, soon := plan("heron-07", 20), plan("heron-07", 0), plan("tern-12", 3)
	ended := plan("tern-12", 1)
	must(s.CancelVisit(ctx, visitBy("", testNow), ended, "sold"))
	want := []string{soon, late, never, ended}
	for _, limit := range []int{1, 3, 10} {
		var got []string
		q := VisitQuery{Scope: AllProperties, Limit: limit}
		for {
			page, next, err := s.Visits(ctx, q)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range page {
				got = append(got, v.ID)
			}
			if q.Cursor = next; next == "" {
				break
			}
		}
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("by %d: %v, want %v", limit, got, want)
		}
	}
}

// What makes no sense is refused, with nothing written.
func TestVisitRefuses(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07")
	id := wrote(t)(s.PlanVisit(ctx, visitBy("", testNow), visit.Plan{Property: "heron-07", Kind: visit.Repair})).Visit
	if _, err := s.AddPart(ctx, visitBy("", testNow), id, visit.Part{Part: "float", Pieces: 1}); !errors.Is(err, ErrConflict) {
		t.Errorf("recorded before it began: %v", err)
	}
	wrote(t)(s.StartVisit(ctx, visitBy("", testNow), id, visit.Start{}))
	for name, err := range map[string]error{
		"unknown salt": second(s.AddSensorCheck(ctx, visitBy("", testNow), "heron-07", id, visit.SensorCheck{Point: "north-bay", Salt: "sugar", TempC: 20, ReadPct: 75})),
		"hot box":      second(s.AddSensorCheck(ctx, visitBy("", testNow), "heron-07", id, visit.SensorCheck{Point: "north-bay", Salt: "NaCl", TempC: 60, ReadPct: 75})),
		"no such point": second(s.AddSensorCheck(ctx, visitBy("", testNow), "heron-07", id,
			visit.SensorCheck{Point: "sump", Salt: "NaCl", TempC: 20, ReadPct: 75})),
		"no draw-down": second(s.AddPumpTest(ctx, visitBy("", testNow), "heron-07", id, visit.PumpTest{Method: visit.ByBucket, Ran: true, PouredL: 10})),
		"tomorrow": second(s.AddPumpTest(ctx, visitBy("", testNow), "heron-07", id,
			visit.PumpTest{Method: visit.ByFloat, Ran: true, At: testNow.Add(24 * time.Hour)})),
		"rh of 140": second(s.AddHandReading(ctx, visitBy("", testNow), id, visit.HandReading{Quantity: visit.HandRH, Value: 140})),
		"nobody":    second(s.ChangeVisit(ctx, visitBy("", testNow), id, visit.Change{AssignedTo: new(int32(99))})),
		"a day":     second(s.StartVisit(ctx, visitBy("", testNow), id, visit.Start{For: 24 * time.Hour})),
	} {
		if !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if v := theVisit(t, s, id); len(v.Journal) != 2 {
		t.Errorf("refusals left %d lines in the journal", len(v.Journal))
	}
}

func second(_ Written, err error) error { return err }
