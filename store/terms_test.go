package store

import (
	"errors"
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
)

func setOf(version int, from *site.Date) TermsVersion {
	return TermsVersion{Name: "coastal-65", Version: version, Effective: from, Document: []byte("terms: coastal-65"), AddedBy: "desk"}
}

func inDays(n int) site.Date { return site.DateOf(testNow).AddDays(n) }

// TestTermsOnlyGrow: versions follow one another, hold from a day after today,
// and are never changed.
func TestTermsOnlyGrow(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	soon, later, past := inDays(3), inDays(30), inDays(0)
	must := func(v TermsVersion) {
		t.Helper()
		if err := s.AddTerms(t.Context(), v, testNow); err != nil {
			t.Error(err)
		}
	}
	refused := func(v TermsVersion) {
		t.Helper()
		if err := s.AddTerms(t.Context(), v, testNow); !errors.Is(err, ErrConflict) {
			t.Errorf("version %d from %v: %v", v.Version, v.Effective, err)
		}
	}
	refused(setOf(2, &later))
	must(setOf(1, nil))
	must(setOf(1, nil)) // again
	changed := setOf(1, nil)
	changed.Document = []byte("terms: coastal-65 # other")
	refused(changed)
	refused(setOf(2, nil))
	refused(setOf(2, &past))
	must(setOf(2, &later))
	refused(setOf(3, &soon)) // would begin before the second
	if _, err := s.api.Exec(t.Context(), `UPDATE warranty_terms SET document = 'x'`); err == nil {
		t.Error("the database lets terms be changed")
	}
	got, err := s.TermsVersions(t.Context())
	if err != nil || len(got) != 2 || got[1].Effective == nil || *got[1].Effective != later || got[0].Effective != nil || string(got[0].Document) != "terms: coastal-65" {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestAssignmentNeverReachesBack: a property without terms may be given some
// from its installation on; after that only later days change.
func TestAssignmentNeverReachesBack(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	all := Scope{All: true}
	assign := func(from site.Date, terms string) error {
		return s.AssignTerms(t.Context(), all, "heron-07", TermsAssignment{From: from, Terms: terms, AssignedBy: "desk"}, testNow)
	}
	if err := assign(site.Date{Year: 2024, Month: 3, Day: 1}, "standard-60"); !errors.Is(err, ErrInvalid) {
		t.Errorf("before the installation: %v", err)
	}
	installed := site.Date{Year: 2024, Month: 3, Day: 2}
	if err := assign(installed, "standard-60"); err != nil {
		t.Fatal(err)
	}
	for _, d := range []site.Date{installed, inDays(-10), inDays(0)} {
		if err := assign(d, "coastal-65"); !errors.Is(err, ErrConflict) {
			t.Errorf("from %s: %v", d, err)
		}
	}
	for _, terms := range []string{"coastal-65", "coastal-70"} { // the later one of a day stands
		if err := assign(inDays(20), terms); err != nil {
			t.Error(err)
		}
	}
	got, err := s.TermsAssigned(t.Context(), all, "heron-07")
	if err != nil || len(got) != 2 || got[0].Terms != "standard-60" || got[0].From != installed || got[1].Terms != "coastal-70" || got[1].From != inDays(20) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.TermsAssigned(t.Context(), Scope{}, "heron-07"); !errors.Is(err, ErrNotFound) {
		t.Errorf("out of scope: %v", err)
	}
}

// TestTermsOfThePropertyFile: the file names terms from the installation on;
// another name in a later file holds from tomorrow, whatever it corrects.
func TestTermsOfThePropertyFile(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	file := cottage("heron-07") + "warranty: {terms: standard-60}\n"
	register(t, s, file)
	register(t, s, file+"# a correction that says nothing of terms\n")
	register(t, s, strings.Replace(file, "standard-60", "coastal-65", 1))
	got, err := s.TermsAssigned(t.Context(), Scope{All: true}, "heron-07")
	if err != nil || len(got) != 2 || got[0].From.String() != "2024-03-02" || got[0].Terms != "standard-60" || got[0].Origin != "file" || got[1].Terms != "coastal-65" {
		t.Fatalf("%+v, %v", got, err)
	}
	if today := site.DateOf(time.Now().In(newYorkZone(t))); !today.Before(got[1].From) {
		t.Errorf("the new terms hold from %s, today is %s", got[1].From, today)
	}
}

func newYorkZone(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func TestOutagesAreKept(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "tern-12")
	all := Scope{All: true}
	o := Outage{From: testNow.Add(-8 * time.Hour), To: testNow.Add(-2 * time.Hour), Note: "storm", ReportedAt: testNow, ReportedBy: "owner"}
	for i, id := range []string{"heron-07.o1", "heron-07.o2"} {
		done, err := s.ReportOutage(t.Context(), all, "heron-07", o)
		if err != nil || done.ID != id {
			t.Fatalf("%d: %+v, %v", i, done, err)
		}
	}
	future := o
	future.To = testNow.Add(time.Hour)
	if _, err := s.ReportOutage(t.Context(), all, "heron-07", future); !errors.Is(err, ErrInvalid) {
		t.Errorf("one that is not over: %v", err)
	}
	if _, err := s.ReportOutage(t.Context(), Scope{Properties: []string{"tern-12"}}, "heron-07", o); !errors.Is(err, ErrNotFound) {
		t.Errorf("out of scope: %v", err)
	}
	got, err := s.Outages(t.Context(), all, "heron-07", testNow.Add(-3*time.Hour), testNow)
	if err != nil || len(got) != 2 || got[0].Note != "storm" || !got[0].From.Equal(o.From) {
		t.Errorf("%+v, %v", got, err)
	}
	if got, _ := s.Outages(t.Context(), all, "heron-07", testNow.Add(-time.Hour), testNow); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}
