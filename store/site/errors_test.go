package site_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"underkeep/store/site"
)

// minimal is a property with the required fields only, on lines 1 to 6.
const minimal = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: north-bay, measures: [rh, air-temp], every: 5m}
`

func TestParsePropertyTakesTheRequiredFieldsAlone(t *testing.T) {
	t.Parallel()
	p, err := site.ParseProperty([]byte(minimal), "f.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if p.Units != site.SI || p.Commissioning != 14*24*time.Hour || p.MoldClass != "sensitive" || p.MoldDecline != 0.1 {
		t.Errorf("defaults are %+v", p)
	}
}

// Each text is appended to the minimal file from line 7 on, or replaces it.
func TestParsePropertyNamesLineFieldAndWhatIsAccepted(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, text string
		wants      []string // each must be in the message
	}{
		{"no unit", "space: {floor_area: 1040}", []string{"f.yaml:7: space.floor_area:", "has no unit", "m2, ft2"}},
		{"wrong unit", "exhaust_fan:\n  flow: 22 ft", []string{"f.yaml:8: exhaust_fan.flow:", "L/s, L/min, L/h, m3/h, gpm, gph, cfm"}},
		{"RH without RH", "dehumidifier: {setpoint: 50 %}", []string{"7: dehumidifier.setpoint:", "%RH"}},
		{"impossible value", "dehumidifier: {setpoint: 500 %RH}", []string{"out of range", "10 %RH to 90 %RH"}},
		{"negative length", "sump: {basin_diameter: -18 in}", []string{"sump.basin_diameter", "out of range"}},
		{"unknown field", "sump:\n  basin_diamter: 18 in", []string{"8: sump.basin_diamter: no such field", "basin_diameter"}},
		{"unknown field at the top", "pump: 3", []string{"7: pump: no such field", "sump"}},
		{"given twice", "name: other", []string{"7: name: given twice; first on line 2"}},
		{"null where a section belongs", "sump: 5", []string{"7: sump: must be fields with values", `"5"`}},
		{"list where a value belongs", "area: [a]", []string{"7: area: must be one value, not a list"}},
		{"floats out of order", "sump:\n  float_on: 6 in\n  float_off: 12 in\n  high_water: 5 in",
			[]string{"8: sump.float_on:", "above float_off", "10: sump.high_water:", "above float_on"}},
		{"high water above the rim", "sump: {high_water: 30 in, basin_depth: 24 in}", []string{"basin_depth", "must be above high_water"}},
		{"taper without depth", "sump: {basin_diameter: 15 in, basin_top_diameter: 18 in}", []string{"needs basin_depth"}},
		{"pipe unknown", "sump: {discharge: {pipe: pvc-sch40-3in}}", []string{"sump.discharge.pipe", "pvc-sch40-1.25in, pvc-sch40-1.5in, pvc-sch40-2in"}},
		{"pipe twice over", "sump: {discharge: {pipe: pvc-sch40-2in, inside_diameter: 2 in}}", []string{"contradicts pipe"}},
		{"curve and rating", "sump: {pump: {rated_flow: 40 gpm, curve: [{flow: 0 gpm, head: 20 ft}, {flow: 40 gpm, head: 5 ft}]}}",
			[]string{"sump.pump.rated_flow", "contradicts curve"}},
		{"curve that rises", "sump: {pump: {curve: [{flow: 0 gpm, head: 2 m}, {flow: 40 gpm, head: 5 m}]}}", []string{"head must fall as flow grows"}},
		{"curve of one point", "sump: {pump: [{flow: 0 gpm, head: 2 m}]}", []string{"at least two points"}},
		{"curve point without head", "sump: {pump: [{flow: 0 gpm}, {flow: 1 gpm, head: 2 m}]}", []string{"sump.pump[0].head: is required"}},
		{"shut-off below rating", "sump: {pump: {rated_flow: 40 gpm, at_head: 10 ft, shutoff_head: 9 ft}}", []string{"shutoff_head", "above at_head (3.05 m)"}},
		{"elbows in part", "sump: {discharge: {elbows: 2.5}}", []string{"not whole"}},
		{"effective too early", "effective: 2026-03-01", []string{"7: effective: 2026-03-01 is before installed (2026-03-02)"}},
		{"e-mail", "owner: {email: nobody}", []string{"owner.email", "no e-mail address"}},
		{"language", "owner: {language: '?'}", []string{"owner.language"}},
		{"line break in a name", "area: \"a\\nb\"", []string{"area: contains a line break"}},
		{"location without lon", "location: {lat: 34}", []string{"location.lon: is required"}},
		{"location off the globe", "location: {lat: 134, lon: 0}", []string{"location.lat", "-90 to 90"}},
		{"mold class", "mold_class: pine", []string{"very-sensitive, sensitive, medium-resistant, resistant"}},
		{"terms missing", "warranty: {}", []string{"warranty.terms: is required"}},
		{"units", "units: imperial", []string{"7: units:", "us, si"}},
		{"anchor", "area: &a x", []string{"7: ", "anchors"}},
		{"alias", "area: *a", []string{"7: ", "aliases"}},
		{"merge", "<<: {a: 1}", []string{"7: ", "merge keys"}},
		{"tag", "area: !!str x", []string{"7: ", "tags"}},
		{"not YAML", "area: [1", []string{"f.yaml:7: not YAML:"}},
		{"two documents", "---\n" + minimal, []string{"described twice in this file; first on line 1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			expectProblems(t, minimal+c.text+"\n", c.wants)
		})
	}
}

// Each text is one more entry of points, on line 7.
func TestParsePropertyChecksPoints(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, text string
		wants      []string
	}{
		{"reserved id", "{id: weather-station, measures: [rain]}", []string{`"weather-station" is the name of the weather service's station`}},
		{"id twice", "{id: north-bay, measures: [leak]}", []string{`7: points[1].id: "north-bay" is used twice; first on line 6`}},
		{"id refused", "{id: North Bay, measures: [leak]}", []string{"points[1].id", "1 to 40 of a-z, 0-9 and -"}},
		{"id missing", "{measures: [leak]}", []string{"7: points[1].id: is required"}},
		{"quantity unknown", "{id: a, measures: [humidity]}", []string{`7: points[1].measures[0]: "humidity" is not known`, "rh, air-temp, surface-temp"}},
		{"quantity twice", "{id: a, measures: [leak, leak]}", []string{"measures[1]: leak is listed twice"}},
		{"nothing measured", "{id: a, measures: []}", []string{"needs at least one of rh"}},
		{"measures no list", "{id: a, measures: rh}", []string{`must be a list, not "rh"`}},
		{"interval", "{id: a, measures: [rh], every: 5 min}", []string{"points[1].every", "30s, 5m, 6h, 7d"}},
		{"air unknown", "{id: a, measures: [surface-temp], air: south}", []string{`there is no point "south"`}},
		{"air that is no air", "{id: a, measures: [surface-temp], air: a}", []string{"does not measure both rh and air-temp"}},
		{"surface of air", "{id: a, measures: [rh], surface: duct}", []string{"belongs only to a point that measures surface-temp or wood-moisture"}},
		{"surface unknown", "{id: a, measures: [surface-temp], surface: sky}", []string{"duct, pipe, joist, rim, wall, slab, other"}},
		{"pump of air", "{id: a, measures: [rh], pump: backup}", []string{"pump-run or pump-on"}},
		{"circuit of air", "{id: a, measures: [rh], circuit: pump}", []string{"measures mains"}},
		{"gateway name", "{id: a, measures: [rh], gateway: GW_1}", []string{"points[1].gateway"}},
		{"accuracy of what is not measured", "{id: a, measures: [rh], sensor: {accuracy: {rain: 1 mm}}}", []string{"accuracy.rain: no such field", "known: rh"}},
		{"accuracy of a switch", "{id: a, measures: [leak], sensor: {accuracy: {leak: 1 %}}}", []string{"nothing that this point measures has an accuracy"}},
		{"accuracy without unit", "{id: a, measures: [air-temp], sensor: {accuracy: {air-temp: 0.3}}}", []string{"C, F"}},
		{"outdoors", "{id: a, measures: [rh], outdoors: yes}", []string{`"yes" is not known; accepted: true, false`}},
		{"no mapping", "north", []string{"7: points[1]: must be fields with values"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			expectProblems(t, minimal+"  - "+c.text+"\n", c.wants)
		})
	}
}

func TestParsePropertyRefusesAirThatIsOutdoors(t *testing.T) {
	t.Parallel()
	expectProblems(t, minimal+`  - {id: out, measures: [rh, air-temp], outdoors: true}
  - {id: duct, measures: [surface-temp], air: out}
`, []string{`8: points[2].air: "out" is outdoors`})
}

func TestParsePropertyRefusesTwoPointsOfOnePump(t *testing.T) {
	t.Parallel()
	two := minimal + "  - {id: a, measures: [pump-run]}\n  - {id: b, measures: [pump-run]%s}\n"
	expectProblems(t, fmt.Sprintf(two, ""), []string{`8: points[2].measures: pump-run of the primary pump is already measured by point "a"`})
	if _, err := site.ParseProperty([]byte(fmt.Sprintf(two, ", pump: backup")), "f.yaml"); err != nil {
		t.Error(err)
	}
}

func TestParsePropertyReportsEverythingAtOnce(t *testing.T) {
	t.Parallel()
	text := `property: Heron 07
timezone: America/Nowhere
installed: 02.03.2026
space: {floor_area: 1040 sqft}
points:
  - {id: a, measures: [rh], evry: 5m}
`
	_, err := site.ParseProperty([]byte(text), "f.yaml")
	var fe *site.FileError
	if !errors.As(err, &fe) {
		t.Fatalf("error is %v", err)
	}
	var got []string
	for _, p := range fe.Problems {
		got = append(got, fmt.Sprint(p.Line, " ", p.Field))
	}
	want := []string{"1 name", "1 property", "2 timezone", "3 installed", "4 space.floor_area", "6 points[0].evry"}
	if strings.Join(got, "; ") != strings.Join(want, "; ") {
		t.Errorf("problems are %v, want %v", got, want)
	}
}

func TestParsePropertyRefusesHostileInput(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "the file is empty"},
		{"comment alone", "# nothing\n", "the file is empty"},
		{"a list", "- a\n", "must be fields with values"},
		{"10 MB", strings.Repeat("a: 1 m\n", 10<<20/7), "at most 524288 are read"},
		{"many fields", strings.Repeat("a: 1 m\n", 15_000), "more than 20000 words"},
		{"many lines", strings.Repeat("#\n", 30_000), "more than 20000 lines"},
		{"blank lines", "a: |\n" + strings.Repeat(" \n", 10_000), "f.yaml:102: more than 100 blank lines"},
		{"blank lines of old machines", "a: |\n" + strings.Repeat("\r", 10_000), "carriage return"},
		{"deep flow", strings.Repeat("[", 10_000), "nested deeper"},
		{"deep flow mapping", "a: " + strings.Repeat("{a: ", 5_000), "nested deeper"},
		{"deep list on one line", strings.Repeat("- ", 9_000) + "a", "nested deeper"},
		{"not UTF-8", "property: a\nname: \xff\n", "f.yaml:2: not UTF-8"},
		{"alias bomb", "a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\n", "anchors"},
		{"zero byte", "property: a\x00b", "f.yaml:1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			expectProblems(t, c.text, []string{c.want})
		})
	}
}

func TestParsePropertyKeepsOrdinaryText(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"Fish & Chips", "A *starred* house", "Wait! here", "R&D", "50% done", "Ünïted 😀", "C'est la vie"} {
		p, err := site.ParseProperty([]byte(strings.Replace(minimal, "7 Heron Lane", name, 1)), "f.yaml")
		if err != nil || p.Name != name {
			t.Errorf("name %q is read as %q, %v", name, p.Name, err)
		}
	}
	for _, text := range []string{strings.ReplaceAll(minimal, "\n", "\r\n"), "\ufeff" + minimal, "---\n" + minimal + "...\n"} {
		if p, err := site.ParseProperty([]byte(text), "f.yaml"); err != nil || p.ID != "heron-07" || p.Installed.Day != 2 {
			t.Errorf("%q: %v", text, err)
		}
	}
}

func TestParsePropertiesIsAllOrNothing(t *testing.T) {
	t.Parallel()
	second := strings.Replace(minimal, "heron-07", "heron-08", 1)
	ps, err := site.ParseProperties([]byte(minimal+"---\n"+second), "f.yaml")
	if err != nil || len(ps) != 2 || ps[1].ID != "heron-08" {
		t.Fatalf("%v, %v", ps, err)
	}
	if _, err := site.ParseProperty([]byte(minimal+"---\n"+second), "f.yaml"); err == nil || !strings.Contains(err.Error(), "holds 2 properties") {
		t.Errorf("ParseProperty of two: %v", err)
	}
	ps, err = site.ParseProperties([]byte(minimal+"---\n"+strings.Replace(second, "2026-03-02", "never", 1)), "f.yaml")
	if err == nil || ps != nil || !strings.Contains(err.Error(), "f.yaml:11: installed:") {
		t.Errorf("%v, %v", ps, err)
	}
}

func expectProblems(t *testing.T, text string, wants []string) {
	t.Helper()
	p, err := site.ParseProperty([]byte(text), "f.yaml")
	var fe *site.FileError
	if !errors.As(err, &fe) {
		t.Fatalf("parsed to %+v, error %v; want a FileError", p, err)
	}
	if p.ID != "" || p.Points != nil {
		t.Errorf("a refused property came back in part: %+v", p)
	}
	for _, want := range wants {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in\n%v", want, err)
		}
	}
	for _, pr := range fe.Problems {
		if pr.Line < 1 || pr.Message == "" {
			t.Errorf("problem without line or message: %+v", pr)
		}
	}
}
