package site_test

import (
	"strings"
	"testing"

	"underkeep/store/site"
)

func parsedLimits(t *testing.T, text string) site.Limits {
	t.Helper()
	l, err := site.ParseLimits([]byte(text), "l.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestLimitsOverOthers(t *testing.T) {
	t.Parallel()
	base := parsedLimits(t, "humidity-high: {above: 58 %RH, clear: 56 %RH, sustained: 4h}\nfreeze-risk: off\nleak: off\n")
	over := parsedLimits(t, "humidity-high: {sustained: 2h}\nfreeze-risk: {below: 3 C}\nbattery-low: off\n")
	got, err := over.Over(base)
	if err != nil {
		t.Fatal(err)
	}
	for param, want := range map[string]float64{"above": 58, "clear": 56, "sustained": 7200, "high_above": 70} {
		if v := got.Value(site.HumidityHigh, param); v != want {
			t.Errorf("%s: %g, want %g", param, v, want)
		}
	}
	for c, want := range map[site.Condition]bool{site.FreezeRisk: true, site.LeakAlarm: false, site.BatteryLow: false, site.HumidityHigh: true} {
		if got.Enabled(c) != want {
			t.Errorf("%s: enabled %v, want %v", c, !want, want)
		}
	}
	if base.Value(site.HumidityHigh, "sustained") != 4*3600 || base.Enabled(site.FreezeRisk) {
		t.Error("the limits underneath were changed")
	}
}

func TestLimitsThatContradictTogetherAreRefused(t *testing.T) {
	t.Parallel()
	base := parsedLimits(t, "humidity-high: {above: 55 %RH, clear: 54 %RH}\n")
	_, err := parsedLimits(t, "humidity-high: {clear: 57 %RH}\n").Over(base) // fine by itself: under the default 60
	if err == nil || !strings.Contains(err.Error(), "clear (57 %RH) must be below above (55 %RH)") {
		t.Errorf("%v", err)
	}
}
