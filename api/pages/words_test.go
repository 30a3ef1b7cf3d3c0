package pages

import (
	"strings"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/store/site"
)

func TestEveryConditionHasWords(t *testing.T) {
	t.Parallel()
	for _, c := range site.Conditions() {
		w := wordsFor(c)
		if w.Title == "" || w.Title == strings.ReplaceAll(string(c), "-", " ") || w.Do == "" || !strings.HasSuffix(w.Plain, ".") {
			t.Errorf("%s: %+v", c, w)
		}
	}
	if w := wordsFor("not-known-yet"); w.Title != "not known yet" || w.Do == "" {
		t.Errorf("an unknown condition: %+v", w)
	}
	if a := adviceFor("not-known-yet"); a.Means != "not known yet." {
		t.Errorf("an unknown cause: %+v", a)
	}
}

func TestEveryQuantityHasWordsAndAFigure(t *testing.T) {
	t.Parallel()
	for _, s := range site.Quantities() {
		if quantityWords[s.Quantity] == "" {
			t.Errorf("%s has no words", s.Name)
		}
		if _, ok := booleanWords[s.Quantity]; ok != s.Boolean {
			t.Errorf("%s: words for yes and no: %v", s.Name, ok)
		}
	}
}

// TestDangerousConditionsCarryTheirCaution: water and electricity, mold.
func TestDangerousConditionsCarryTheirCaution(t *testing.T) {
	t.Parallel()
	for _, c := range []site.Condition{site.HighWaterAlarm, site.LeakAlarm, site.PumpSilentInRain, site.MoldRisk} {
		if len(cautions(c, nil)) == 0 {
			t.Errorf("%s has no caution of its own", c)
		}
	}
	twice := cautions(site.HighWaterAlarm, []alerting.Cause{{Cause: "pump-not-starting"}})
	if len(twice) != 1 {
		t.Errorf("the same caution is given %d times", len(twice))
	}
}

func TestEvidenceInTheHousesUnitsAndClock(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	for in, want := range map[string]string{
		// 25.4 mm is 1 in and 20 °C is 68 °F exactly; 3.785411784 L is 1 US gal (NIST Handbook 44, appendix C).
		"25.4 mm of rain in the last 24 h":                       "1 in of rain in the last 24 h",
		"surface 20.0 °C, dew point 10.0 °C":                     "surface 68 °F, dew point 50 °F",
		"the same 51.00 since 2026-07-14T10:30:00Z":              "the same 51.00 since 06:30",
		"dehumidifier-idle began first, at 2026-07-13T10:30:00Z": "“Dehumidifier does nothing” began first, at Jul 13, 06:30",
		"draws 12 W, usually 80 W":                               "draws 12 W, usually 80 W",
	} {
		if got := localize(in, site.US, now, zone); strings.ReplaceAll(got, ".0 ", " ") != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
	if in := "surface 20.0 °C"; localize(in, site.SI, now, zone) != in {
		t.Error("SI evidence was changed")
	}
}
