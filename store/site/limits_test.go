package site_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"underkeep/store/site"
)

func TestParseLimitsReadsOverrides(t *testing.T) {
	t.Parallel()
	const text = `
humidity-high: {above: 58 %RH, sustained: 4h, clear: 55 %RH, clear_sustained: 2h}
freeze-risk: off
condensation-risk: {below: 3.6 F, clear: 5.4 F}
pump-run-on: {duty: 60 %}
`
	want := site.Limits{
		Off: map[site.Condition]bool{site.FreezeRisk: true},
		Values: map[site.Condition]map[string]float64{
			site.HumidityHigh:     {"above": 58, "sustained": 4 * 3600, "clear": 55, "clear_sustained": 2 * 3600},
			site.CondensationRisk: {"below": 2, "clear": 3}, // a difference of 3.6 °F is 2 K
			site.PumpRunOn:        {"duty": 0.6},
		},
	}
	for _, file := range []string{text, "limits:\n  " + strings.ReplaceAll(strings.TrimSpace(text), "\n", "\n  ")} {
		got, err := site.ParseLimits([]byte(file), "l.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("-want +got:\n%s", d)
		}
		if got.Value(site.HumidityHigh, "above") != 58 || got.Value(site.HumidityHigh, "high_above") != 70 {
			t.Error("the override, or the default beside it, is not in force")
		}
		if got.Enabled(site.FreezeRisk) || !got.Enabled(site.HumidityHigh) {
			t.Error("the wrong conditions are off")
		}
	}
	if l, err := site.ParseLimits(nil, "l.yaml"); err != nil || l.Off != nil || l.Values != nil {
		t.Errorf("an empty file gives %v, %v", l, err)
	}
}

// A limit clears at the limit minus its deadband: 3 %RH, 2 K and so on by the
// defaults, kept where the file moves the limit past the default clearing.
func TestParseLimitsKeepsTheDeadband(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text      string
		condition site.Condition
		param     string
		want      float64
	}{
		{"humidity-high: {above: 55 %RH}", site.HumidityHigh, "clear", 52},
		{"humidity-high: {above: 65 %RH}", site.HumidityHigh, "clear", 57}, // the default still makes sense
		{"humidity-high: {above: 75 %RH}", site.HumidityHigh, "high_above", 85},
		{"freeze-risk: {below: 8 C}", site.FreezeRisk, "clear", 10},
		{"condensation-risk: {below: 3 C}", site.CondensationRisk, "clear", 4},
		{"battery-low: {below: 30 %}", site.BatteryLow, "clear", 40},
		{"humidity-drift: {above: 50 %RH}", site.HumidityDrift, "clear", 50},
		{"dehumidifier-idle: {above: 4 %RH}", site.DehumidifierIdle, "clear", 1},
	} {
		l, err := site.ParseLimits([]byte(c.text), "l.yaml")
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
		} else if got := l.Value(c.condition, c.param); got != c.want {
			t.Errorf("%s: %s is %v, want %v", c.text, c.param, got, c.want)
		}
	}
}

func TestParseLimitsRefusesWithTheReason(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text  string
		wants []string
	}{
		{"humidity-hi: {above: 58 %RH}", []string{"1: humidity-hi: no such condition", "humidity-high, humidity-drift"}},
		{"humidity-high: {abov: 58 %RH}", []string{"humidity-high.abov: no such field", "above, sustained, clear"}},
		{"humidity-high: {above: 58}", []string{"has no unit", "%RH"}},
		{"humidity-high: {above: 158 %RH}", []string{"out of range", "0 %RH to 100 %RH"}},
		{"humidity-high: {sustained: 0s}", []string{"out of range"}},
		{"humidity-high: {above: 58 %RH, clear: 60 %RH}", []string{"contradiction: clear (60 %RH) must be below above (58 %RH)", "clear while it is raised"}},
		{"humidity-high: {clear: 60 %RH}", []string{"clear (60 %RH) must be below above (60 %RH, the default)"}},
		{"humidity-high: on", []string{`"on" must be off, or a mapping such as {above: 60 %RH}`}},
		{"mold-risk: {low: 2, medium: 1}", []string{"mold-risk.medium", "the levels must rise"}},
		{"mold-risk: {high: 7}", []string{"runs from 0 to 6"}},
		{"wood-wet: {low: 20 %}", []string{"low (20 %) must be below medium (19 %, the default)"}},
		{"freeze-risk: {below: 8 C, clear: 6 C}", []string{"contradiction: below (8 °C) must be below clear (6 °C)"}},
		{"battery-low: {clear: 10 %}", []string{"below (15 %, the default) must be below clear (10 %)"}},
		{"pump-run-on: {duty: 120 %}", []string{"it is a share"}},
		{"pump-run-on: {duty: 15 %}", []string{"clear_duty (0.2, the default)"}},
		{"pump-short-cycling: {cycles: 2.5}", []string{"not whole"}},
		{"pump-short-cycling: {cycles: 0}", []string{"out of range"}},
		{"water-unexplained: {norm_least: 40}", []string{"norm_least (40) must be below norm_days (30, the default)"}},
		{"dehumidifier-idle: {above: 2 %RH}", []string{"clear (5 %RH, the default) must be below above (2 %RH)"}},
		{"pump-silent-in-rain: {probability: 0}", []string{"probability of silence"}},
		{"limits: {freeze-risk: off}\nfreeze-risk: off", []string{"2: freeze-risk: no such field here; known: limits"}},
		{"[1]", []string{"must be fields with values"}},
		{"freeze-risk: off\n---\nleak: off", []string{"holds 2 documents"}},
		{"freeze-risk: off\nfreeze-risk: {below: 3 C}", []string{"2: freeze-risk: given twice"}},
	} {
		l, err := site.ParseLimits([]byte(c.text), "l.yaml")
		if err == nil {
			t.Errorf("%s: read as %+v", c.text, l)
			continue
		}
		for _, want := range c.wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: no %q in\n%v", c.text, want, err)
			}
		}
	}
}

// Every number of the table may be written at its default and then changes
// nothing: so every default obeys the rules for overrides.
func TestEveryDefaultIsAnAllowedOverride(t *testing.T) {
	t.Parallel()
	var all site.Limits
	all.Values = map[site.Condition]map[string]float64{}
	for _, s := range site.LimitSpecs() {
		if all.Values[s.Condition] == nil {
			all.Values[s.Condition] = map[string]float64{}
		}
		all.Values[s.Condition][s.Param] = s.Default
	}
	p := parse(t, minimal)
	p.Limits = all
	again, err := site.ParseProperty(site.FormatProperty(p), "all.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(all, again.Limits); d != "" {
		t.Error(d)
	}
}
