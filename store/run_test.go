package store

import (
	"slices"
	"testing"
	"time"

	"underkeep/store/site"
)

// Runs laid end to end are the readings, however they were cut; a gap of months
// is stepped over.
func TestRunsAreTheReadings(t *testing.T) {
	t.Parallel()
	s, ctx := openTest(t), t.Context()
	withCottages(t, s, "heron-07")
	from := testNow.AddDate(0, 0, -40)
	var batch []Delivery
	for i := range 900 {
		at := from.Add(time.Duration(i) * 7 * time.Minute)
		if i >= 450 {
			at = at.AddDate(0, 0, 30)
		}
		batch = append(batch, Delivery{Property: "heron-07", Gateway: "main", Received: at.Add(time.Second),
			Readings: []Reading{{Point: "south-bay", Quantity: site.RH, At: at, Value: float64(i % 100)}}})
	}
	record(t, s, batch...)
	want, err := s.Readings(ctx, ReadingQuery{Property: "heron-07", Point: "south-bay", Quantity: site.RH, From: from, To: testNow})
	if err != nil || len(want) < 800 {
		t.Fatalf("%d readings, %v", len(want), err)
	}
	var at []int64
	var values []float64
	runs := 0
	err = s.EachRun(ctx, ColumnQuery{Property: "heron-07", Point: "south-bay", Quantities: []site.Quantity{site.RH}, From: from, To: testNow}, func(a []int64, v []float64) error {
		at, values, runs = append(at, a...), append(values, v...), runs+1
		return nil
	})
	if err != nil || runs < 2 || len(at) != len(want) || !slices.IsSorted(at) {
		t.Fatalf("%d of %d readings in %d runs, %v", len(at), len(want), runs, err)
	}
	for i := range want {
		if at[i] != want[i].At.UnixMicro() || values[i] != want[i].Value {
			t.Fatalf("reading %d: %d %g, want %+v", i, at[i], values[i], want[i])
		}
	}
}

func TestNextRun(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		step time.Duration
		rows int
		want time.Duration
	}{
		{24 * time.Hour, 0, 96 * time.Hour}, {24 * time.Hour, 288, 96 * time.Hour}, {24 * time.Hour, 86_400, 40_000 * time.Second},
		{time.Minute, 1_000_000_000, time.Minute}, {300 * 24 * time.Hour, 10, 400 * 24 * time.Hour},
	} {
		if got := nextRun(c.step, c.rows); got != c.want {
			t.Errorf("after %d rows in %s: %s, want %s", c.rows, c.step, got, c.want)
		}
	}
}
