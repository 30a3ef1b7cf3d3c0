package weather

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

func TestObservationOf2022(t *testing.T) {
	t.Parallel()
	list, err := ParseObservations(document(t, "observation-2022.json"))
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	o := list[0]
	if !o.At.Equal(time.Date(2022, 3, 2, 23, 53, 0, 0, time.UTC)) || *o.TempC != 22.8 || *o.RHPct != 75.770935807607 {
		t.Errorf("%+v", o)
	}
	// 60000 is a trace, which the decoded depth of 0 hides; nothing is said of the
	// hour by number, but the report knows no rain in it.
	if got := fmt.Sprint(o.Rain); got != fmt.Sprint([]Window{{6, TraceMM}, {0, 0}}) {
		t.Errorf("rain %v", got)
	}
}

// one is a collection of a single observation with these precipitation members.
func one(raw, members string) []byte {
	quoted, _ := json.Marshal(raw)
	return fmt.Appendf(nil, `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"timestamp":"2026-03-02T17:53:00+00:00","rawMessage":%s%s}}]}`, quoted, members)
}

func member(name, unit, value, qc string) string {
	return fmt.Sprintf(`,%q:{"unitCode":%q,"value":%s,"qualityControl":%q}`, name, unit, value, qc)
}

// The same 2.5 mm in every unit and prefix that the service has used or allows: its
// unit pattern has the prefixes wmo, wmoUnit, nwsUnit, uc or none, older samples
// "unit:"; precipitation came in m in 2022 and in mm later.
func TestUnitsAreRead(t *testing.T) {
	t.Parallel()
	for unit, value := range map[string]string{
		"wmoUnit:mm": "2.5", "wmoUnit:m": "0.0025", "unit:m": "0.0025", "uc:mm": "2.5", "mm": "2.5", "nwsUnit:cm": "0.25", "wmo:m": "0.0025", "[in_i]": "0.09842519685",
	} {
		list, err := ParseObservations(one("", member("precipitationLastHour", unit, value, "V")))
		if err != nil || len(list[0].Rain) != 1 || math.Abs(list[0].Rain[0].MM-2.5) > 1e-9 {
			t.Errorf("%s: %+v, %v", unit, list, err)
		}
	}
	for _, unit := range []string{"wmoUnit:furlong", "mm/h", "", "xsd:mm", "wmoUnit:", "wmoUnit:degC"} {
		list, err := ParseObservations(one("", member("precipitationLastHour", unit, "2.5", "V")))
		if err == nil || len(list) != 0 || !strings.Contains(err.Error(), "unit") {
			t.Errorf("%q: %+v, %v", unit, list, err)
		}
		if list, err := ParseObservations(one("", member("precipitationLastHour", unit, "null", "Z"))); err != nil || len(list[0].Rain) != 0 {
			t.Errorf("%q, null: %+v, %v", unit, list, err)
		}
	}
	for unit, value := range map[string]string{"wmoUnit:degC": "20", "Cel": "20", "wmoUnit:K": "293.15", "[degF]": "68"} {
		list, err := ParseObservations(one("", member("temperature", unit, value, "V")))
		if err != nil || math.Abs(*list[0].TempC-20) > 1e-9 {
			t.Errorf("%s: %v", unit, err)
		}
	}
}

func TestNullIsNotZero(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		raw, members string
		want         []Window
	}{
		"null":             {"", member("precipitationLastHour", "wmoUnit:mm", "null", "Z"), nil},
		"absent":           {"", "", nil},
		"zero":             {"", member("precipitationLastHour", "wmoUnit:mm", "0", "V"), []Window{{0, 0}}},
		"failed":           {"", member("precipitationLastHour", "wmoUnit:mm", "3", "X"), nil},
		"questioned":       {"", member("precipitationLastHour", "wmoUnit:mm", "3", "qc:Q"), nil},
		"null, dry report": {"KXSB 021753Z AUTO CLR RMK AO2", member("precipitationLastHour", "wmoUnit:mm", "null", "Z"), []Window{{0, 0}}},
		"null, no gauge":   {"KXSB 021753Z AUTO CLR RMK AO2 PNO", "", nil},
		"null, rain":       {"KXSB 021753Z AUTO -RA RMK AO2", "", nil},
		"trace beats zero": {"KXSB 021753Z AUTO RMK AO2 P0000", member("precipitationLastHour", "wmoUnit:mm", "0", "V"), []Window{{0, TraceMM}}},
		"no gauge, zero":   {"KXSB 021753Z AUTO RMK AO2 PNO", member("precipitationLastHour", "wmoUnit:mm", "0", "V"), []Window{}},
		"other report":     {"KXSB 021653Z AUTO RMK AO2 P0100", member("precipitationLastHour", "wmoUnit:mm", "1", "V"), []Window{{0, 1}}},
		"several hours":    {"KXSB 021753Z AUTO RMK AO2 P0010 60123", "", []Window{{0, 2.54}, {6, 31.242}}},
	} {
		list, err := ParseObservations(one(c.raw, c.members))
		if err != nil || len(list) != 1 {
			t.Fatalf("%s: %v", name, err)
		}
		if len(list[0].Rain) != len(c.want) {
			t.Fatalf("%s: %v, want %v", name, list[0].Rain, c.want)
		}
		for i, w := range c.want {
			if g := list[0].Rain[i]; g.Hours != w.Hours || math.Abs(g.MM-w.MM) > 1e-9 {
				t.Errorf("%s: %v, want %v", name, list[0].Rain, c.want)
			}
		}
	}
}

func TestObservationsRefused(t *testing.T) {
	t.Parallel()
	for _, body := range []string{"", "[]", "{}", `{"type":"Point"}`, `{"type":"FeatureCollection","features":[{"properties":{"timestamp":"yesterday"}}]}`,
		string(one("", member("precipitationLastHour", "wmoUnit:mm", "-1", "V"))), string(one("", `,"temperature":{"value":"warm"}`))} {
		if list, err := ParseObservations([]byte(body)); err == nil || len(list) > 0 {
			t.Errorf("%s: %v, %v", body, list, err)
		}
	}
	// One bad observation does not take the others with it.
	good, bad := string(one("", "")), `{"properties":{"timestamp":"2026-03-02T16:53:00Z","temperature":{"unitCode":"x:y","value":1}}},`
	list, err := ParseObservations([]byte(strings.Replace(good, `[{`, `[`+bad+`{`, 1)))
	if err == nil || len(list) != 1 {
		t.Errorf("%v, %v", list, err)
	}
}

func FuzzParseObservations(f *testing.F) {
	f.Add(document(f, "observation-2022.json"))
	f.Add(one("KXSB 021753Z AUTO RMK AO2 P0010 60123", member("precipitationLastHour", "wmoUnit:mm", "2.5", "V")))
	f.Fuzz(func(t *testing.T, body []byte) {
		list, _ := ParseObservations(body)
		for _, o := range list {
			for _, w := range o.Rain {
				if !(w.MM >= 0) {
					t.Errorf("%v mm", w.MM)
				}
			}
		}
		fresh, _ := Resolve(list, nil)
		if a, b, bad := overlapping(fresh); bad {
			t.Errorf("%v and %v overlap", a, b)
		}
	})
}

func TestForecast(t *testing.T) {
	t.Parallel()
	f, err := ParseForecast(document(t, "gridpoint.json"))
	if err != nil {
		t.Fatal(err)
	}
	if !f.UpdatedAt.Equal(time.Date(2026, 3, 2, 11, 4, 12, 0, time.UTC)) || len(f.Hours) != 28 {
		t.Fatalf("%d hours, %v", len(f.Hours), f.UpdatedAt)
	}
	begin := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	for i, want := range []Hour{{begin, 11.5, 6, 1.5}, {begin.Add(time.Hour), 11.5, 6, 1.5}, {begin.Add(2 * time.Hour), 13, 6, 1.5}} {
		if f.Hours[i] != want {
			t.Errorf("%+v, want %+v", f.Hours[i], want)
		}
	}
	// Without dew point it comes from 80 %RH at 9 °C: 5.74 °C (Magnus, 17.62 and
	// 243.12: ln 0.8 + 0.62901 = 0.40587; 243.12·0.40587/17.21413).
	if h := f.Hours[3]; h.TempC != 9 || math.Abs(h.DewC-5.74) > 0.05 {
		t.Errorf("%+v", h)
	}
	if h := f.Hours[6]; !math.IsNaN(h.RainMM) || !math.IsNaN(h.DewC) {
		t.Errorf("null is not zero: %+v", h)
	}
}

func TestForecastRefused(t *testing.T) {
	t.Parallel()
	good := string(document(t, "gridpoint.json"))
	for _, change := range [][2]string{{"wmoUnit:degC", "wmoUnit:banana"}, {"PT2H", "PT"}, {"PT2H", "PT0H"}, {"PT2H", "P1Y"}, {"2026-03-02T12:00:00+00:00/PT2H", "noon/PT2H"},
		{`"value": 9}`, `"value": -9}`}, {`"temperature"`, `"temp"`}} {
		body := strings.Replace(good, change[0], change[1], 1)
		if change[0] == `"temperature"` {
			body = `{"properties":{}}`
		}
		if change[0] == `"value": 9}` {
			body = strings.Replace(good, `PT6H", "value": 9}`, `PT6H", "value": -9}`, 1)
		}
		if f, err := ParseForecast([]byte(body)); err == nil {
			t.Errorf("%v: %d hours", change, len(f.Hours))
		}
	}
}

func FuzzParseForecast(f *testing.F) {
	f.Add(document(f, "gridpoint.json"))
	f.Fuzz(func(t *testing.T, body []byte) {
		out, err := ParseForecast(body)
		if err == nil && (len(out.Hours) == 0 || len(out.Hours) > maxForecastHours) {
			t.Errorf("%d hours", len(out.Hours))
		}
	})
}
