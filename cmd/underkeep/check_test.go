package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// check runs the command as main does and returns what it printed.
func check(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(context.Background(), append([]string{"check"}, args...), &out, &errs)
	return code, out.String(), errs.String()
}

func property(name string) string { return filepath.Join("..", "..", "testdata", "properties", name) }

// The three properties of testdata are worked by hand in the tests of
// store/site/asbuilt; here the same figures must reach the reader in the
// property's units.
func TestCheckShowsFiguresInThePropertysUnits(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		file  string
		code  int
		wants []string
	}{
		// 38.33 gpm through the line is 2300 gph, 64 % of the 3600 on the label;
		// 15.667 gal at that flow last 24.5 s, 8 in in 24.5 s are 0.326 in/s and
		// 36.7 starts an hour at half capacity.
		{"sealed-healthy.yaml", exitOK, []string{
			"What the pump delivers through this line 2300 gph good",
			"64 % of its rating", "Hazen-Williams", "24.5 s good", "0.326 in/s", "36.7 per hour",
			"required at least 20.8 cfm (IRC R408.3", "0 not met"}},
		// 8.642 gpm are 518.5 gph of 1200, 43 %.
		{"undersized-pump.yaml", exitNo, []string{
			"519 gph", "43 % of its rating", "NOT MET", "undersized", "At least one requirement is not met."}},
		{"no-exhaust.yaml", exitNo, []string{
			"Exhaust airflow", "NOT MET", "LEFT OUT OF THE FILE", "exhaust"}},
	} {
		code, out, errs := check(t, property(c.file))
		if code != c.code || errs != "" {
			t.Errorf("%s: exit %d, stderr %q; want exit %d", c.file, code, errs, c.code)
		}
		flat := strings.Join(strings.Fields(out), " ")
		for _, want := range c.wants {
			if !strings.Contains(flat, want) {
				t.Errorf("%s: no %q in\n%s", c.file, want, out)
			}
		}
		for _, line := range strings.Split(out, "\n") {
			if n := utf8.RuneCountInString(line); n > reportWidth || strings.HasSuffix(line, " ") {
				t.Errorf("%s: line of %d columns, or with space at its end: %q", c.file, n, line)
			}
		}
	}
}

func TestCheckJSON(t *testing.T) {
	t.Parallel()
	code, out, errs := check(t, "--json", property("sealed-healthy.yaml"))
	if code != exitOK || errs != "" {
		t.Fatalf("exit %d, stderr %q", code, errs)
	}
	var got jsonCheck
	dec := json.NewDecoder(strings.NewReader(out))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&got); err != nil {
		t.Fatal(err)
	}
	byName := map[string]jsonFigure{}
	for _, f := range got.Figures {
		byName[f.Name] = f
		if f.Formula == "" || f.Source == "" || f.Verdict == "" || f.Status == "" {
			t.Errorf("%s lacks formula, source, verdict or status: %+v", f.Name, f)
		}
	}
	// By hand: 38.33 gpm × 60 = 2300 gph.
	flow := byName["pump-flow"]
	if flow.Value == nil || math.Abs(*flow.Value-2300) > 1 || flow.Unit != "gph" {
		t.Errorf("pump-flow %+v, want 2300 gph", flow)
	}
	exhaust := byName["exhaust-flow"]
	if exhaust.Requirement == nil || exhaust.Requirement.Value != 20.8 || exhaust.Requirement.Unit != "cfm" || exhaust.Unit != "cfm" {
		t.Errorf("exhaust-flow %+v, want at least 20.8 cfm", exhaust)
	}
	if limit := byName["motor-start-limit"]; limit.Value != nil {
		t.Errorf("motor-start-limit has the value %v, want null", *limit.Value)
	}
	if len(got.Cautions) == 0 || len(got.Missing) == 0 {
		t.Errorf("cautions %q, missing %q", got.Cautions, got.Missing)
	}
}

func TestCheckRefusesUnusableFiles(t *testing.T) {
	t.Parallel()
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	text := "property: heron-07\nname: 7 Heron Lane\ntimezone: America/New_York\ninstalled: 2026-03-02\n" +
		"space: {floor_area: 1040}\npoints:\n  - {id: a, measures: [rh], every: 5 min}\n"
	if err := os.WriteFile(bad, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := check(t, bad)
	if code != exitUsage || out != "" {
		t.Errorf("exit %d, stdout %q", code, out)
	}
	for _, want := range []string{bad + ":5: space.floor_area:", "m2, ft2", bad + ":7: points[0].every:", "5m, 6h"} {
		if !strings.Contains(errs, want) {
			t.Errorf("no %q in\n%s", want, errs)
		}
	}
	code, out, errs = check(t, bad, "--json")
	var got struct {
		File     string
		Problems []struct {
			Line           int
			Field, Message string
		}
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != exitUsage || errs != "" {
		t.Fatalf("exit %d, stderr %q: %v", code, errs, err)
	}
	if len(got.Problems) != 2 || got.Problems[0].Line != 5 || got.Problems[1].Field != "points[0].every" {
		t.Errorf("problems %+v", got)
	}
}

func TestCheckUsage(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{}, {"--nonsense", "x"}, {"a", "b"}, {"no-such-file.yaml"}} {
		if code, out, errs := check(t, args...); code != exitUsage || out != "" || errs == "" {
			t.Errorf("check %v: exit %d, stdout %q, stderr %q", args, code, out, errs)
		}
	}
	if code, out, _ := check(t, "--help"); code != exitOK || !strings.Contains(out, "Exit codes") {
		t.Errorf("check --help: exit %d, %q", code, out)
	}
}

func TestWrapKeepsEveryWordWithinTheWidth(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "a", "ab cd ef", strings.Repeat("ü", 25), "to " + strings.Repeat("x", 21) + " be"} {
		joined := ""
		for _, l := range wrap(text, 10) {
			if utf8.RuneCountInString(l) > 10 {
				t.Errorf("wrap(%q) has the line %q", text, l)
			}
			joined += strings.ReplaceAll(l, " ", "")
		}
		if joined != strings.ReplaceAll(text, " ", "") {
			t.Errorf("wrap(%q) lost text: %q", text, joined)
		}
	}
}
