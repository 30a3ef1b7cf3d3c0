package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"underkeep/store"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

const rehearsedHouse = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: north-bay, measures: [rh], every: 30m}
`

var rehearsedFrom = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

// rehearsedRH stands at 50 %RH but for ten hours at 62 from hour 10, and four
// at 62 from hour 30.
func rehearsedRH(half int) float64 {
	if half >= 20 && half < 40 || half >= 60 && half < 68 {
		return 62
	}
	return 50
}

// rehearsedFiles writes property and recording (two days, every half hour).
func rehearsedFiles(t *testing.T, limits string) (property, recording, limitsFile string) {
	t.Helper()
	dir := t.TempDir()
	var lines strings.Builder
	for h := range 96 {
		at := rehearsedFrom.Add(time.Duration(h) * 30 * time.Minute)
		fmt.Fprintf(&lines, `{"received":%q,"topic":"underkeep/1/heron-07/gw1/readings","payload":[{"n":"north-bay/rh","u":"%%RH","v":%g,"t":%d}]}`+"\n",
			at.Format(time.RFC3339), rehearsedRH(h), at.Unix())
	}
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	return write("heron.yaml", rehearsedHouse), write("june.jsonl", lines.String()), write("limits.yaml", limits)
}

func rehearsed(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(context.Background(), append([]string{"rehearse"}, args...), &out, &errs)
	return code, out.String(), errs.String()
}

// raisedTimes of the alarms printed as JSON lines.
func raisedTimes(t *testing.T, out string) []string {
	t.Helper()
	var times []string
	for _, line := range strings.Split(strings.TrimSpace(out), "\n") {
		var a struct {
			Condition string
			RaisedAt  string `json:"raised_at"`
		}
		if err := json.Unmarshal([]byte(line), &a); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		times = append(times, a.Condition+" "+a.RaisedAt)
	}
	return times
}

// By the contract 62 %RH from 10:00 raises at 16:00 and 50 %RH from 20:00 clears
// at 23:00; four hours are under the six. With three hours as the limit it is
// 13:00, and the excursion of the second day counts too: 06:00 to 10:00 raises
// at 09:00 and clears at 13:00.
const shortened = "humidity-high: {sustained: 3h}\n"

func TestRehearseWithLimits(t *testing.T) {
	t.Parallel()
	property, recording, limits := rehearsedFiles(t, shortened)
	code, out, errs := rehearsed(t, "--property", property, "--recording", recording)
	if got := raisedTimes(t, out); code != exitOK || len(got) != 1 || got[0] != "humidity-high 2026-06-01T16:00:00Z" {
		t.Errorf("exit %d: %q %s", code, got, errs)
	}
	code, out, _ = rehearsed(t, "--property", property, "--recording", recording, "--limits", limits, "--json")
	if got := raisedTimes(t, out); code != exitOK || len(got) != 2 || got[0] != "humidity-high 2026-06-01T13:00:00Z" || got[1] != "humidity-high 2026-06-02T09:00:00Z" {
		t.Errorf("exit %d: %q", code, got)
	}
	code, out, _ = rehearsed(t, "--property", property, "--recording", recording, "--limits", limits)
	flat := strings.Join(strings.Fields(out), " ")
	for _, want := range []string{"as described | with limits.yaml",
		"humidity-high 1 7.0 1 | 2 14.0 2 2026-06-01 13:00 only with the limits",
		"all 1 7.0 1 | 2 14.0 2 2026-06-01 13:00 only with the limits"} {
		if !strings.Contains(flat, want) {
			t.Errorf("exit %d: no %q in\n%s", code, want, out)
		}
	}
}

func TestRehearseRefusesWhatCannotBeMeant(t *testing.T) {
	t.Parallel()
	property, recording, limits := rehearsedFiles(t, "humidity-high: {above: 55 %RH, clear: 60 %RH}\n")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--property", property, "--recording", recording, "--limits", limits}, "contradiction: clear (60 %RH) must be below above (55 %RH)"},
		{[]string{"--property", property, "--recording", recording, "--limits", limits + "x"}, "no such file"},
		{[]string{"--property", property}, "Usage"},
		{[]string{"--property", property, "--recording", recording, "--from", "2026-06-01"}, "Usage"},
		{[]string{"--property-id", "heron-07", "--recording", recording}, "Usage"},
	} {
		if code, out, errs := rehearsed(t, c.args...); code != exitUsage || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%q: exit %d, stdout %q, stderr %q; want %q", c.args, code, out, errs, c.want)
		}
	}
}

// What is asked for is right, the database is away: that is exit 1, not 2.
func TestRehearseWithoutADatabase(t *testing.T) {
	t.Parallel()
	code, out, errs := rehearsed(t, "--database-url", "postgres://nobody@127.0.0.1:1/none?connect_timeout=1", "--property-id", "heron-07")
	if code != exitNo || out != "" || !strings.Contains(errs, "cannot be read") {
		t.Errorf("exit %d, %q, %q", code, out, errs)
	}
}

// TestRehearseStoredHistory stores what the recording has and expects the same.
func TestRehearseStoredHistory(t *testing.T) {
	t.Parallel()
	property, recording, limits := rehearsedFiles(t, shortened)
	url := pgtest.New(t, func(ctx context.Context, url string) error {
		st, err := store.Open(ctx, url, store.Options{})
		if err != nil {
			return err
		}
		defer st.Close()
		return st.Migrate(ctx)
	})
	st, err := store.Open(t.Context(), url, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := st.RegisterFile(t.Context(), []byte(rehearsedHouse), "heron.yaml", "test"); err != nil {
		t.Fatal(err)
	}
	if _, err := st.AddGateway(t.Context(), "heron-07", "gw1", "test"); err != nil {
		t.Fatal(err)
	}
	var ds []store.Delivery
	for h := range 96 {
		at := rehearsedFrom.Add(time.Duration(h) * 30 * time.Minute)
		ds = append(ds, store.Delivery{Property: "heron-07", Gateway: "gw1", Received: at,
			Readings: []store.Reading{{Point: "north-bay", Quantity: site.RH, At: at, Value: rehearsedRH(h)}}})
	}
	if _, err := st.Record(t.Context(), ds); err != nil {
		t.Fatal(err)
	}
	stored := func(more ...string) (int, string, string) {
		return rehearsed(t, append([]string{"--database-url", url, "--property-id", "heron-07", "--from", "2026-05-30", "--to", "2026-06-01T23:55:00Z"}, more...)...)
	}
	code, out, errs := stored()
	if got := raisedTimes(t, out); code != exitOK || len(got) != 1 || got[0] != "humidity-high 2026-06-01T16:00:00Z" {
		t.Errorf("exit %d: %q %s", code, got, errs)
	}
	all := []string{"--database-url", url, "--property-id", "heron-07", "--to", "2026-06-02T23:31:00Z", "--limits", limits}
	_, fromStore, errs := rehearsed(t, all...)
	_, fromFile, _ := rehearsed(t, "--property", property, "--recording", recording, "--limits", limits)
	cut := func(s string) string { head, _, _ := strings.Cut(s, "\nmedium+"); return head }
	if cut(fromStore) != cut(fromFile) || fromFile == "" {
		t.Errorf("from the store\n%s%s\nfrom the recording\n%s", fromStore, errs, fromFile)
	}
	if code, _, errs := stored("--to", "2026-05-01"); code != exitUsage || !strings.Contains(errs, "is not before --to") {
		t.Errorf("exit %d, %q", code, errs)
	}
}
