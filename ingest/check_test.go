package ingest

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"underkeep/store"
	"underkeep/store/site"
)

func decode(t testing.TB, payload string) store.Delivery {
	t.Helper()
	return Decode(heron(t), readingsTopic, []byte(payload), received)
}

// Units, types and ranges are those of the wire contract.
func TestEveryQuantityIsTakenInItsUnit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		record string
		want   float64
	}{
		{`"n":"all/rh","u":"%RH","v":61.5`, 61.5},
		{`"n":"all/air-temp","u":"Cel","v":-40`, -40},
		{`"n":"all/surface-temp","u":"Cel","v":85`, 85},
		{`"n":"all/wood-moisture","u":"/100","v":19`, 19},
		{`"n":"all/wood-moisture","u":"/","v":0.19`, 19},
		{`"n":"all/pump-run","u":"s","v":14.2`, 14.2},
		{`"n":"all/pump-on","vb":true`, 1},
		{`"n":"all/water-level","u":"mm","v":120`, 120},
		{`"n":"all/water-level","u":"m","v":0.125`, 125},
		{`"n":"all/high-water","vb":false`, 0},
		{`"n":"all/leak","vb":true`, 1},
		{`"n":"all/rain","u":"mm","v":0.2`, 0.2},
		{`"n":"all/rain","u":"m","v":0.0625`, 62.5},
		{`"n":"all/mains","vb":true`, 1},
		{`"n":"all/dehumidifier-power","u":"W","v":580`, 580},
		{`"n":"all/fan-power","u":"W","v":31`, 31},
		{`"n":"all/battery","u":"%EL","v":97`, 97},
	} {
		d := decode(t, fmt.Sprintf(`[{%s,"t":%s}]`, c.record, at(-60)))
		if len(d.Refused) != 0 || len(d.Readings) != 1 {
			t.Errorf("%s: %d readings, refused %+v", c.record, len(d.Readings), d.Refused)
			continue
		}
		r := d.Readings[0]
		if r.Value != c.want || r.AtReceipt || !r.At.Equal(received.Add(-time.Minute)) {
			t.Errorf("%s: %+v, want value %v a minute before receipt", c.record, r, c.want)
		}
	}
}

func TestRefusalsNameTheReason(t *testing.T) {
	t.Parallel()
	deep := `[{"n":"all/rh","x":` + strings.Repeat("[", 5000) + strings.Repeat("]", 5000) + `}]`
	for _, c := range []struct {
		what, payload string
		want          store.Reason
	}{
		{"not JSON", `hello`, store.ReasonNotSenML},
		{"empty payload", ``, store.ReasonNotSenML},
		{"not SenML", `{"rh":55}`, store.ReasonNotSenML},
		{"empty pack", `[]`, store.ReasonNotSenML},
		{"cut off", `[{"n":"all/rh","u":"%RH","v":5`, store.ReasonNotSenML},
		{"NaN", `[{"n":"all/rh","u":"%RH","v":NaN}]`, store.ReasonNotSenML},
		{"deep nesting", deep, store.ReasonNotSenML},
		{"invalid UTF-8", "[{\"n\":\"all/rh\",\"u\":\"%RH\",\"v\":5,\"x\":\"\xff\"}]", store.ReasonNotSenML},
		{"must understand", `[{"n":"all/rh","u":"%RH","v":5,"corr_":1}]`, store.ReasonNotSenML},
		{"newer version", `[{"bver":11,"n":"all/rh","u":"%RH","v":5}]`, store.ReasonNotSenML},
		{"unknown point", `[{"n":"attic/rh","u":"%RH","v":5}]`, store.ReasonUnknownPoint},
		{"no point", `[{"n":"rh","u":"%RH","v":5}]`, store.ReasonUnknownPoint},
		{"unknown quantity", `[{"n":"all/radon","u":"Bq/m3","v":5}]`, store.ReasonUnknownQuantity},
		{"quantity of another point", `[{"n":"north-bay/rain","u":"mm","v":5}]`, store.ReasonUnknownQuantity},
		{"wrong unit", `[{"n":"all/air-temp","u":"degF","v":70}]`, store.ReasonWrongUnit},
		{"no unit", `[{"n":"all/air-temp","v":20}]`, store.ReasonWrongUnit},
		{"ratio as percent", `[{"n":"all/rh","u":"%","v":0.5}]`, store.ReasonWrongUnit},
		{"number for a Boolean", `[{"n":"all/leak","v":1}]`, store.ReasonWrongType},
		{"Boolean for a number", `[{"n":"all/rh","u":"%RH","vb":true}]`, store.ReasonWrongType},
		{"string for a number", `[{"n":"all/rh","u":"%RH","v":"55"}]`, store.ReasonWrongType},
		{"no value", `[{"n":"all/rh","u":"%RH"}]`, store.ReasonWrongType},
		{"sum only", `[{"n":"all/rh","u":"%RH","s":5}]`, store.ReasonWrongType},
		{"above range", `[{"n":"all/rh","u":"%RH","v":100.01}]`, store.ReasonImpossible},
		{"below range", `[{"n":"all/air-temp","u":"Cel","v":-40.5}]`, store.ReasonImpossible},
		{"1e308", `[{"n":"all/rh","u":"%RH","v":1e308}]`, store.ReasonImpossible},
		{"-1e308", `[{"n":"all/rh","u":"%RH","v":-1e308}]`, store.ReasonImpossible},
		{"beyond a double", `[{"n":"all/rh","u":"%RH","v":1e400}]`, store.ReasonImpossible},
		{"1e308 in metres", `[{"n":"all/water-level","u":"m","v":1e308}]`, store.ReasonImpossible},
		{"future", `[{"n":"all/rh","u":"%RH","v":5,"t":` + at(601) + `}]`, store.ReasonTimeAhead},
		{"far future", `[{"n":"all/rh","u":"%RH","v":5,"t":1e300}]`, store.ReasonTimeAhead},
		{"relative future", `[{"n":"all/rh","u":"%RH","v":5,"t":3600}]`, store.ReasonTimeAhead},
		{"1980", `[{"n":"all/rh","u":"%RH","v":5,"t":315532800}]`, store.ReasonTimeTooEarly},
		{"1970 as a negative time", `[{"n":"all/rh","u":"%RH","v":5,"t":-1780315200}]`, store.ReasonTimeTooEarly},
		{"the day before installation", `[{"n":"all/rh","u":"%RH","v":5,"t":1772427599}]`, store.ReasonTimeTooEarly},
		{"pump-run without time", `[{"n":"all/pump-run","u":"s","v":12}]`, store.ReasonTimeRelative},
		{"rain with relative time", `[{"n":"all/rain","u":"mm","v":1,"t":-60}]`, store.ReasonTimeRelative},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			d := decode(t, c.payload)
			if len(d.Readings) != 0 || len(d.Refused) != 1 || d.Refused[0].Reason != c.want {
				t.Fatalf("%d readings, refused %+v, want %s", len(d.Readings), d.Refused, c.want)
			}
			r := d.Refused[0]
			if string(r.Payload) != c.payload || r.Payload == nil || r.PayloadBytes != len(c.payload) || r.PayloadHash != sha256.Sum256([]byte(c.payload)) {
				t.Errorf("raw payload not kept: %d bytes, %q", r.PayloadBytes, r.Payload)
			}
			if r.Topic != readingsTopic || r.Detail == "" {
				t.Errorf("topic %q, detail %q", r.Topic, r.Detail)
			}
		})
	}
}

// Installed 2 March 2026, which begins at 05:00 UTC in New York.
func TestTimesRunFromInstallationToTenMinutesAhead(t *testing.T) {
	t.Parallel()
	first := time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)
	for _, ok := range []time.Time{first, received.Add(10 * time.Minute)} {
		if d := decode(t, fmt.Sprintf(`[{"n":"all/rh","u":"%%RH","v":5,"t":%d}]`, ok.Unix())); len(d.Readings) != 1 {
			t.Errorf("%v refused: %+v", ok, d.Refused)
		}
	}
}

func TestRelativeTimesAreMarked(t *testing.T) {
	t.Parallel()
	d := decode(t, `[{"bn":"all/","n":"rh","u":"%RH","v":50},{"n":"leak","t":-30,"vb":true}]`)
	if len(d.Readings) != 2 || len(d.Refused) != 0 {
		t.Fatalf("%+v", d)
	}
	if r := d.Readings[0]; !r.AtReceipt || !r.At.Equal(received) {
		t.Errorf("missing time: %+v", r)
	}
	if r := d.Readings[1]; !r.AtReceipt || !r.At.Equal(received.Add(-30*time.Second)) {
		t.Errorf("relative time: %+v", r)
	}
}

// A reset clock must not hide water: the refusal says everything that judging
// it at its receipt needs.
func TestWaterRefusedForItsTimeCanStillBeJudged(t *testing.T) {
	t.Parallel()
	d := decode(t, `[{"bn":"all/","bt":315532800,"n":"high-water","vb":true},{"n":"leak","vb":false},{"n":"leak","v":1}]`)
	if len(d.Refused) != 3 {
		t.Fatalf("%+v", d.Refused)
	}
	hw, leak, bad := d.Refused[0], d.Refused[1], d.Refused[2]
	if hw.Reason != store.ReasonTimeTooEarly || hw.Point != "all" || hw.Quantity != site.HighWater || hw.Value != 1 || hw.At.Year() != 1980 {
		t.Errorf("high-water: %+v", hw)
	}
	if leak.Reason != store.ReasonTimeTooEarly || leak.Quantity != site.Leak || leak.Value != 0 {
		t.Errorf("leak: %+v", leak)
	}
	if bad.Reason != store.ReasonWrongType {
		t.Errorf("a leak that is wrong in itself is refused for that: %+v", bad)
	}
	if len(d.Readings) != 2 || !d.Readings[0].AtReceipt || !d.Readings[0].At.Equal(received) || d.Readings[0].Value != 1 {
		t.Errorf("counted from their receipt: %+v", d.Readings)
	}
}

// Dry, then wet, both before the clock was set: the wet one must not be lost as
// a conflict.
func TestWaterOfAResetClockKeepsItsOrder(t *testing.T) {
	t.Parallel()
	d := decode(t, `[{"bn":"all/","bt":315532800,"n":"leak","vb":false},{"n":"leak","vb":true,"t":60}]`)
	if len(d.Readings) != 2 || d.Readings[0].Value != 0 || d.Readings[1].Value != 1 || !d.Readings[1].At.After(d.Readings[0].At) {
		t.Errorf("readings %+v", d.Readings)
	}
	for _, r := range d.Refused {
		if r.Reason != store.ReasonTimeTooEarly {
			t.Errorf("refused %+v", r)
		}
	}
}

func TestGoodRecordsOfAPackAreKept(t *testing.T) {
	t.Parallel()
	d := decode(t, `[{"bn":"all/","bt":`+at(-300)+`,"n":"rh","u":"%RH","v":50},
		{"n":"rh","t":60,"u":"%RH","v":500},
		{"n":"no such","u":"%RH","v":5},
		{"n":"air-temp","t":60,"u":"Cel","v":18.5},
		{"n":"rh","u":"%RH","t":120,"v":51}]`)
	if len(d.Readings) != 3 || len(d.Refused) != 2 {
		t.Fatalf("%d readings, refused %+v", len(d.Readings), d.Refused)
	}
	if &d.Refused[0].Payload[0] != &d.Refused[1].Payload[0] {
		t.Error("refusals of one message do not share its payload")
	}
}

func TestConflictsWithinOnePack(t *testing.T) {
	t.Parallel()
	rec := func(s int, v float64) string {
		return fmt.Sprintf(`{"n":"all/rh","u":"%%RH","t":%s,"v":%v}`, at(s), v)
	}
	pack := "[" + strings.Join([]string{rec(-60, 50), rec(-30, 51), rec(-60, 50), rec(-60, 52), rec(-90, 53), rec(-90, 54), rec(-20, 55)}, ",") + "]"
	d := decode(t, pack)
	var got []float64
	for _, r := range d.Readings {
		got = append(got, r.Value)
	}
	if fmt.Sprint(got) != "[50 51 53 55]" {
		t.Errorf("readings %v", got)
	}
	if len(d.Refused) != 2 || d.Refused[0].Value != 52 || d.Refused[1].Value != 54 || d.Refused[0].Reason != store.ReasonConflict {
		t.Errorf("refused %+v", d.Refused)
	}
}

// Whatever the order, the first value of a time stands, equal ones vanish and
// different ones are refused: checked against a plain map.
func TestConflictsAgainstAMap(t *testing.T) {
	t.Parallel()
	sites := heron(t)
	rapid.Check(t, func(t *rapid.T) {
		var parts []string
		first := map[string]int{}
		conflicts := 0
		for i, n := 0, rapid.IntRange(1, 40).Draw(t, "records"); i < n; i++ {
			name := rapid.SampledFrom([]string{"all/rh", "north-bay/rh"}).Draw(t, "name")
			s, v := rapid.IntRange(-8, 0).Draw(t, "t"), rapid.IntRange(1, 3).Draw(t, "v")
			parts = append(parts, fmt.Sprintf(`{"n":%q,"u":"%%RH","t":%s,"v":%d}`, name, at(s), v))
			k := fmt.Sprintf("%s %d", name, s)
			if old, ok := first[k]; !ok {
				first[k] = v
			} else if old != v {
				conflicts++
			}
		}
		d := Decode(sites, readingsTopic, []byte("["+strings.Join(parts, ",")+"]"), received)
		if len(d.Readings) != len(first) || len(d.Refused) != conflicts {
			t.Fatalf("%d readings, %d refused, want %d, %d", len(d.Readings), len(d.Refused), len(first), conflicts)
		}
		for _, r := range d.Readings {
			k := fmt.Sprintf("%s/%s %d", r.Point, r.Quantity, r.At.Unix()-received.Unix())
			if float64(first[k]) != r.Value {
				t.Fatalf("%s = %v, want %v", k, r.Value, first[k])
			}
		}
	})
}

func TestTopics(t *testing.T) {
	t.Parallel()
	for topic, want := range map[string]store.Reason{
		"underkeep/1/heron-07/gw1/readings":                        "",
		"underkeep/1/egret-01/gw1/readings":                        store.ReasonUnknownProperty,
		"underkeep/1/heron-07/gw1/reading":                         store.ReasonWrongTopic,
		"underkeep/1/heron-07/gw1/readings/":                       store.ReasonWrongTopic,
		"underkeep/1/heron-07/readings":                            store.ReasonWrongTopic,
		"underkeep/2/heron-07/gw1/readings":                        store.ReasonWrongTopic,
		"underkeep/1/Heron-07/gw1/readings":                        store.ReasonWrongTopic,
		"underkeep/1/heron-07/-gw/readings":                        store.ReasonWrongTopic,
		"underkeep/1//gw1/readings":                                store.ReasonWrongTopic,
		"elsewhere/heron-07/gw1/readings":                          store.ReasonWrongTopic,
		"underkeep/1/heron-07/g\x00\xff/presence":                  store.ReasonWrongTopic,
		"underkeep/1/" + strings.Repeat("a", 41) + "/gw1/readings": store.ReasonWrongTopic,
		"underkeep/1/" + strings.Repeat("a", 40) + "/gw1/readings": store.ReasonUnknownProperty,
	} {
		d := Decode(heron(t), topic, one(-60, 50), received)
		var got store.Reason
		if len(d.Refused) > 0 {
			got = d.Refused[0].Reason
			if !utf8.ValidString(d.Refused[0].Topic) || strings.ContainsRune(d.Refused[0].Topic, 0) {
				t.Errorf("%q: topic %q would not be stored", topic, d.Refused[0].Topic)
			}
		}
		if strings.HasPrefix(topic, "underkeep/1/heron-07/gw1/") && d.Property != "heron-07" {
			t.Errorf("%q: not laid to its property but to %q", topic, d.Property)
		}
		if got != want || len(d.Readings)+len(d.Refused) != 1 {
			t.Errorf("%q: %q, want %q (%d readings)", topic, got, want, len(d.Readings))
		}
	}
}

func TestPresence(t *testing.T) {
	t.Parallel()
	check := NewChecker(heron(t), DoorConfig{}.Limits)
	for _, c := range []struct {
		payload  string
		retained bool
		want     store.Presence
		refused  int
	}{
		{"online", false, store.PresenceOnline, 0},
		{"offline", false, store.PresenceOffline, 0},
		{"online", true, store.PresenceNone, 0}, // seen again: no sign of life
		{"offline", true, store.PresenceOffline, 0},
		{"", false, store.PresenceNone, 0},
		{"Online", false, store.PresenceNone, 1},
		{strings.Repeat("x", 1000), false, store.PresenceNone, 1},
	} {
		d := check.Decode(Message{Topic: PresenceTopic("heron-07", "gw1"), Payload: []byte(c.payload), Received: received, Retained: c.retained})
		if d.Presence != c.want || len(d.Refused) != c.refused || len(d.Readings) != 0 {
			t.Errorf("%.10q retained %v: %+v", c.payload, c.retained, d)
		}
	}
}

// A retained reading is handed out at every subscription; without a time of its
// own it would become a new one each time.
func TestRetainedReadingsNeedTheirTime(t *testing.T) {
	t.Parallel()
	check := NewChecker(heron(t), DoorConfig{}.Limits)
	d := check.Decode(Message{Topic: readingsTopic, Payload: []byte(`[{"n":"all/rh","u":"%RH","v":5}]`), Received: received, Retained: true})
	if len(d.Refused) != 1 || d.Refused[0].Reason != store.ReasonTimeRelative {
		t.Errorf("%+v", d)
	}
}

func TestOversizedPayloadsAreCutAndHashed(t *testing.T) {
	t.Parallel()
	payload := append([]byte(`[{"n":"all/rh","vs":"`), bytes.Repeat([]byte("x"), 10<<20)...)
	d := Decode(heron(t), readingsTopic, payload, received)
	if len(d.Refused) != 1 {
		t.Fatalf("%d refused", len(d.Refused))
	}
	r := d.Refused[0]
	if r.Reason != store.ReasonTooLarge || len(r.Payload) != store.MaxQuarantinePayload || cap(r.Payload) > 2*store.MaxQuarantinePayload ||
		r.PayloadBytes != len(payload) || r.PayloadHash != sha256.Sum256(payload) || d.Payload != nil {
		t.Errorf("reason %s, kept %d (cap %d) of %d", r.Reason, len(r.Payload), cap(r.Payload), r.PayloadBytes)
	}
}

func TestAMillionRecords(t *testing.T) {
	t.Parallel()
	payload := []byte("[" + strings.Repeat(`{"v":1},`, 999_999) + `{"v":1}]`)
	if d := Decode(heron(t), readingsTopic, payload, received); len(d.Refused) != 1 || d.Refused[0].Reason != store.ReasonTooLarge {
		t.Errorf("%d refused, first %v", len(d.Refused), d.Refused[0].Reason)
	}
	small := []byte("[" + strings.Repeat(`{"v":1},`, 50_000) + `{"v":1}]`)
	d := Decode(heron(t), readingsTopic, small, received)
	if len(d.Refused) != MaxRefusals || !strings.Contains(d.Refused[MaxRefusals-1].Detail, "49001 more") {
		t.Errorf("%d refused, last: %s", len(d.Refused), d.Refused[len(d.Refused)-1].Detail)
	}
}

func TestGatewaysThatWereNotAddedAreRefused(t *testing.T) {
	t.Parallel()
	s := newSite(time.Time{})
	s.add("all", site.RH)
	s.gateway = func(name string) bool { return name == "gw1" }
	sites := oneSite{"heron-07", s}
	if d := Decode(sites, readingsTopic, []byte(`[{"n":"all/rh","u":"%RH","v":5}]`), received); len(d.Readings) != 1 {
		t.Errorf("known gateway: %+v", d)
	}
	d := Decode(sites, ReadingsTopic("heron-07", "gw2"), []byte(`[{"n":"all/rh","u":"%RH","v":5}]`), received)
	if len(d.Refused) != 1 || d.Refused[0].Reason != store.ReasonUnknownGateway {
		t.Errorf("unknown gateway: %+v", d)
	}
}

// FuzzDecode: whatever arrives comes to a delivery that the database takes.
func FuzzDecode(f *testing.F) {
	f.Add(readingsTopic, one(-60, 50))
	f.Add(readingsTopic, []byte(`[{"bn":"all/","bt":1780315200,"n":"rh","u":"%RH","v":50},{"n":"leak","vb":true,"t":-5}]`))
	f.Add(readingsTopic, []byte(`[{"n":"all/rh","u":"%RH","v":-1e308},{"n":"\u0000","vs":"\ud800"}]`))
	f.Add(PresenceTopic("heron-07", "gw1"), []byte("online"))
	f.Add("underkeep/1/\xff/gw1/readings", []byte{})
	sites := heron(f)
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		d := Decode(sites, topic, payload, received)
		for _, r := range d.Readings {
			spec := r.Quantity.Spec()
			if !(r.Value >= spec.Min && r.Value <= spec.Max) || r.At.After(received.Add(MaxAhead)) || r.At.Year() < 2026 || r.At.Nanosecond()%1000 != 0 {
				t.Fatalf("accepted %+v", r)
			}
		}
		for _, r := range d.Refused {
			if r.Reason == "" || r.Payload == nil || len(r.Payload) > store.MaxQuarantinePayload || r.PayloadBytes != len(payload) || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				t.Fatalf("refused %+v", r)
			}
			for _, s := range []string{r.Topic, r.Detail, r.Point} {
				if !utf8.ValidString(s) || strings.ContainsRune(s, 0) || len(s) > 1000 {
					t.Fatalf("text %q", s)
				}
			}
		}
		if len(payload) > 0 && len(d.Readings)+len(d.Refused) == 0 && d.Presence == store.PresenceNone &&
			string(payload) != "online" && !onlyBaseFields(payload) {
			t.Fatalf("%q on %q vanished", payload, topic)
		}
	})
}

// onlyBaseFields: such records measure nothing and may vanish.
func onlyBaseFields(payload []byte) bool {
	return bytes.Contains(payload, []byte(`"b`)) || bytes.Contains(payload, []byte(`\`))
}
