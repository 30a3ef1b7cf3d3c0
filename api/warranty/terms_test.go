package warranty

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
)

func TestShippedTerms(t *testing.T) {
	t.Parallel()
	all, texts := Shipped()
	if len(all) != 1 || len(texts) != 1 {
		t.Fatalf("%d sets", len(all))
	}
	s := all[0]
	if s.Name != "standard-60" || s.Version != 1 || s.Probability != 0.95 || s.Humidity.LimitRHPct != 60 || len(s.Humidity.Points) != 0 ||
		s.Humidity.LongestExcursion != 72*time.Hour || s.Humidity.AbovePerYear != 250*time.Hour || s.Humidity.RollingDays != 365 ||
		s.Data.LeastCoveragePct != 90 || s.Mold.Limit != 3 || s.Wood.LimitPct != 19 || s.Power.PumpOff != 24*time.Hour ||
		s.Service.Interval != 400*24*time.Hour || s.SensorCheck.DriftPctPerYear != 1 || !s.Exclusions.PowerCut {
		t.Errorf("%+v", s)
	}
}

func TestTermsThatCannotBeMeant(t *testing.T) {
	t.Parallel()
	_, texts := Shipped()
	good := string(texts[0])
	for name, c := range map[string]struct{ old, new, says string }{
		"unit missing":  {"limit: 60 %RH", "limit: 60", "humidity.limit"},
		"wrong unit":    {"longest_gap: 72h", "longest_gap: 72 %", "data.longest_gap"},
		"too much":      {"least_coverage: 90 %", "least_coverage: 101 %", "data.least_coverage"},
		"unknown field": {"title:", "titel:", "titel"},
		"no version":    {"version: 1", "version: 0", "version"},
		"no name":       {"terms: standard-60", "terms: Standard 60", "name"},
		"mold":          {"start: 0", "start: 4", "mold"},
		"who":           {"liner: [company]", "liner: [somebody]", "work.liner"},
		"decision":      {"conformance_probability: 95 %", "conformance_probability: 50 %", "conformance_probability"},
		"date":          {"version: 1", "version: 2\neffective: tomorrow", "tomorrow"},
		"later without": {"version: 1", "version: 2", "effective"},
		"rolling":       {"rolling: 365d", "rolling: 3h", "rolling"},
		"two documents": {"terms: standard-60", "---\nterms: a\n---\nterms: standard-60", "document"},
		"nobody":        {"by: [company]", "by: []", "service"},
	} {
		text := strings.Replace(good, c.old, c.new, 1)
		if text == good {
			t.Fatalf("%s: nothing was replaced", name)
		}
		if _, err := ParseTerms([]byte(text)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := ParseTerms(nil); err == nil {
		t.Error("an empty file is read")
	}
	if _, err := ParseTerms([]byte(strings.Replace(good, "applies_to: indoor-air", "applies_to: [north-bay, sill]", 1))); err != nil {
		t.Error(err)
	}
}

// TestResolve: a set has versions, a property has assignments; what holds on a
// day is the version of that day of the set that was assigned by then.
func TestResolve(t *testing.T) {
	t.Parallel()
	v := func(name string, version int, from site.Date) Terms {
		return Terms{Name: name, Version: version, Effective: from}
	}
	versions := []Terms{v("a", 1, site.Date{}), v("a", 2, day(2026, 6, 1)), v("a", 3, day(2026, 9, 1)), v("b", 1, site.Date{})}
	for name, c := range map[string]struct {
		assigned []Assignment
		want     []InForce
	}{
		"from the start": {[]Assignment{{day(2026, 1, 1), "a"}}, []InForce{{day(2026, 1, 1), versions[0]}, {day(2026, 6, 1), versions[1]}, {day(2026, 9, 1), versions[2]}}},
		"later":          {[]Assignment{{day(2026, 7, 1), "a"}}, []InForce{{day(2026, 7, 1), versions[1]}, {day(2026, 9, 1), versions[2]}}},
		"on the day":     {[]Assignment{{day(2026, 6, 1), "a"}}, []InForce{{day(2026, 6, 1), versions[1]}, {day(2026, 9, 1), versions[2]}}},
		"to another set": {[]Assignment{{day(2026, 1, 1), "a"}, {day(2026, 8, 1), "b"}}, []InForce{{day(2026, 1, 1), versions[0]}, {day(2026, 6, 1), versions[1]}, {day(2026, 8, 1), versions[3]}}},
		"and back":       {[]Assignment{{day(2026, 1, 1), "b"}, {day(2026, 10, 1), "a"}}, []InForce{{day(2026, 1, 1), versions[3]}, {day(2026, 10, 1), versions[2]}}},
		"none":           {nil, nil},
	} {
		got, err := Resolve(c.assigned, versions)
		if err != nil || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := Resolve([]Assignment{{day(2026, 1, 1), "c"}}, versions); err == nil {
		t.Error("terms that do not exist are resolved")
	}
}
