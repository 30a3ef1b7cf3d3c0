package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

const rainHouse = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: gauge, measures: [rain]}
`

// A file of rain goes through the same door as a gauge: good lines are stored, in mm
// whatever the unit, bad ones go to quarantine and are told of, an empty depth is not
// zero, and the same file again changes nothing.
func TestRainFromAFile(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t, migrateStore)
	st, err := store.Open(t.Context(), url, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := st.RegisterFile(t.Context(), []byte(rainHouse), "heron.yaml", "test"); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "rain.csv")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	rain := func(args ...string) (code int, out, errs string) {
		var stdout, stderr bytes.Buffer
		code = runRain(t.Context(), append([]string{"--database-url", url}, args...), &stdout, &stderr)
		return code, stdout.String(), stderr.String()
	}
	values := func(point string) (got []float64) {
		t.Helper()
		from := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
		rs, err := st.Readings(t.Context(), store.ReadingQuery{Property: "heron-07", Point: point, Quantity: site.Rain, From: from, To: from.AddDate(0, 1, 0)})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rs {
			got = append(got, r.Value)
		}
		return got
	}

	write("time,depth [in]\n2026-03-03T10:00:00-05:00,0.1\n2026-03-03T11:00:00-05:00,\n2026-03-03T12:00:00-05:00,0\n")
	if code, out, errs := rain("heron-07", file); code != exitOK || !strings.Contains(out, "rain at gauge: 2 lines, 2 stored, 0 were there already, 0 in quarantine") {
		t.Fatalf("exit %d: %s%s", code, out, errs)
	}
	if got := values("gauge"); len(got) != 2 || got[0] != 2.54 || got[1] != 0 {
		t.Errorf("stored %v mm, want 2.54 (0.1 in, exactly) and 0", got)
	}
	if code, out, _ := rain("heron-07", file); code != exitOK || !strings.Contains(out, "0 stored, 2 were there already") {
		t.Errorf("again: exit %d: %s", code, out)
	}
	write("time,depth [mm]\n2026-03-04T10:00:00-05:00,wet\n2026-03-04T11:00:00-05:00,500\n2026-03-04T12:00:00-05:00,3\n")
	code, out, errs := rain("heron-07", file)
	if code != exitNo || !strings.Contains(out, "1 stored") || !strings.Contains(out, "2 in quarantine") || !strings.Contains(errs, "line 2") {
		t.Errorf("bad lines: exit %d: %s%s", code, out, errs)
	}
	if code, out, errs := rain("--station", "heron-07", file); code != exitNo || !strings.Contains(out, "rain at "+store.StationPoint) {
		t.Errorf("as the station's: exit %d: %s%s", code, out, errs)
	}
	if code, _, errs := rain("no-such", file); code == exitOK || !strings.Contains(errs, "not registered") {
		t.Errorf("no such property: exit %d: %s", code, errs)
	}
	if code, _, _ := rain("heron-07"); code != exitUsage {
		t.Errorf("without a file: exit %d", code)
	}
}
