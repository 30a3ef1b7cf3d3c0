package visit

import (
	"strings"
	"testing"
	"time"
)

// The sealed line by hand: figures stand, words and names are hashes, keys are
// in order, and nothing that a person wrote is readable.
func TestSealedLine(t *testing.T) {
	t.Parallel()
	hash := func(s string) string { return "h(" + s[:1] + ")" }
	e := Entry{At: time.Date(2026, 7, 14, 12, 0, 0, 5000, time.UTC), Kind: "sensor-check", Actor: "Lee Marsh", Ref: 2, Why: "drifted",
		Detail: []byte(`{"within": true, "offset_pct": 1.420, "salt": "NaCl", "place": "by Ana's hatch"}`)}
	got, err := e.SealedLine("heron-07.v3", hash)
	if err != nil {
		t.Fatal(err)
	}
	const want = `2026-07-14T12:00:00.000005Z heron-07.v3 sensor-check person:h(L) 2 {"offset_pct":1.420,"place":"sha256:h(b)","salt":"NaCl","within":true} sha256:h(d)`
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if strings.Contains(got, "Marsh") || strings.Contains(got, "hatch") {
		t.Error("what a person wrote is readable")
	}
	if got, err := (Entry{Kind: "done"}).SealedLine("", hash1); err != nil || !strings.HasSuffix(got, " - done person:1 0 {} -") {
		t.Errorf("%q %v", got, err)
	}
	if _, err := (Entry{Detail: []byte("{")}).SealedLine("", hash1); err == nil {
		t.Error("a detail that is no JSON")
	}
}

func hash1(string) string { return "1" }
