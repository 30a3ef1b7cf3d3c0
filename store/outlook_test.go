package store

import (
	"errors"
	"testing"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/store/site"
)

func TestOutlookInputIsTheLastEightDays(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07", "plover-21")
	for _, ago := range []time.Duration{9 * 24 * time.Hour, 2 * time.Hour, 0} {
		record(t, s, message("heron-07", "north-bay", site.RH, testNow.Add(-ago), 50+ago.Hours()))
	}
	record(t, s, message("heron-07", "north-bay", site.RH, testNow.Add(5*time.Minute), 99),
		message("heron-07", "sump", site.PumpRun, testNow.Add(-time.Hour), 14),
		message("plover-21", "sump", site.PumpRun, testNow.Add(-time.Hour), 15))
	in, err := s.OutlookInput(t.Context(), Scope{Properties: []string{"heron-07"}}, "heron-07", testNow)
	if err != nil {
		t.Fatal(err)
	}
	rh := in.Series[outlook.Series{Point: "north-bay", Quantity: site.RH}]
	if len(rh) != 2 || rh[0].Value != 52 || !rh[1].At.Equal(testNow) || rh[1].Value != 50 {
		t.Errorf("%+v", rh)
	}
	runs := in.Series[outlook.Series{Point: "sump", Quantity: site.PumpRun}]
	if len(runs) != 1 || runs[0].Value != 14 || in.Property.ID != "heron-07" || !in.Now.Equal(testNow) {
		t.Errorf("%+v %+v", runs, in.Property.ID)
	}
	for _, id := range []string{"plover-21", "no-such"} {
		if _, err := s.OutlookInput(t.Context(), Scope{Properties: []string{"heron-07"}}, id, testNow); !errors.Is(err, ErrNotFound) {
			t.Errorf("%s: %v", id, err)
		}
	}
}
