package ingest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/simulate"
	"underkeep/ingest/senml"
	"underkeep/store"
	"underkeep/store/site"
)

// floatHouse has a float switch and an air point.
func floatHouse(t testing.TB) []site.Property {
	t.Helper()
	p, err := site.ParseProperty([]byte("property: heron-07\nname: 7 Heron Lane\ntimezone: America/New_York\ninstalled: 2026-03-02\n"+
		"points:\n  - {id: north-bay, measures: [rh, air-temp], every: 5m}\n  - {id: sump, measures: [high-water]}\n"), "heron.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return []site.Property{p}
}

// recorded is one line, seconds after received.
func recorded(seconds int, topic, payload string) string {
	return fmt.Sprintf("{\"received\":%q,\"topic\":%q,\"payload\":%s}\n",
		received.Add(time.Duration(seconds)*time.Second).Format(time.RFC3339), topic, payload)
}

func wet(seconds int, v bool) string {
	return recorded(seconds, readingsTopic, fmt.Sprintf(`[{"n":"sump/high-water","vb":%v,"t":%s}]`, v, at(seconds)))
}

// The contract: wet for 60 s raises, dry for 10 min clears.
func TestRehearseRaisesAndClears(t *testing.T) {
	t.Parallel()
	recording := recorded(0, "underkeep/1/heron-07/gw1/presence", `"online"`) +
		wet(0, true) + "\n" + wet(30, true) + wet(90, true) + wet(120, false) + wet(900, false) +
		recorded(900, "underkeep/1/plover-21/gw9/readings", `[{"n":"a/rh","u":"%RH","v":99,"t":1780315200}]`) +
		recorded(901, readingsTopic, `[{"n":"north-bay/rh","u":"Cel","v":1,"t":1780315200}]`)
	r, err := Rehearse(floatHouse(t), strings.NewReader(recording))
	if err != nil {
		t.Fatal(err)
	}
	alarms := r.Replay.Alarms()
	if len(alarms) != 1 || alarms[0].Condition != site.HighWaterAlarm || alarms[0].Priority != alerting.Urgent {
		t.Fatalf("%+v", alarms)
	}
	a := alarms[0]
	if raised, cleared := received.Add(60*time.Second), received.Add(720*time.Second); !a.RaisedAt.Equal(raised) || !a.ClearedAt.Equal(cleared) {
		t.Errorf("raised %s, cleared %s; want %s, %s", a.RaisedAt, a.ClearedAt, raised, cleared)
	}
	if !a.KnownAt.Equal(received.Add(60 * time.Second)) { // nothing said otherwise by then
		t.Errorf("known at %s", a.KnownAt)
	}
	if r.Lines != 9 || r.Readings != 5 || r.Refused[store.ReasonWrongUnit] != 1 || r.Refused[store.ReasonUnknownProperty] != 1 {
		t.Errorf("%+v", r)
	}
}

func TestRehearseNamesTheLine(t *testing.T) {
	t.Parallel()
	good := wet(0, true)
	for name, c := range map[string]struct{ recording, want string }{
		"no JSON":     {good + "{\n", "line 2 of the recording: not a recorded message"},
		"bad payload": {good + recorded(1, readingsTopic, `[{"n":x}]`), "line 2 of the recording: not a recorded message"},
		"cut off":     {good + good[:len(good)-3], "line 2 of the recording: not a recorded message"},
		"no topic":    {good + `{"received":"2026-06-01T12:00:00Z","payload":[]}`, "line 2 of the recording: a recorded message has received, topic and payload"},
		"bad time":    {`{"received":"yesterday","topic":"t","payload":[]}`, "line 1 of the recording: not a recorded message"},
		"backwards":   {wet(5, true) + good, "line 2 of the recording: received 2026-06-01T12:00:00Z, before the line above it"},
		"too long":    {good + strings.Repeat("x", maxLine+1), "read the recording after line 1"},
	} {
		if _, err := Rehearse(floatHouse(t), strings.NewReader(c.recording)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// TestRehearseAsOneByOne holds the pipeline of guessed lines against the plain
// way: every line by encoding/json, decoded afresh, one message after another.
func TestRehearseAsOneByOne(t *testing.T) {
	t.Parallel()
	property, recording := simulatedWeeks(t)
	quick, err := Rehearse([]site.Property{property}, bytes.NewReader(recording))
	if err != nil {
		t.Fatal(err)
	}
	plain := oneByOne(t, property, recording)
	got, want := quick.Replay.Alarms(), plain.Alarms()
	if len(want) < 3 {
		t.Fatalf("only %d alarms to compare", len(want))
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%d alarms, want %d:\n%s\n%s", len(got), len(want), asJSON(t, got), asJSON(t, want))
	}
	if !reflect.DeepEqual(quick.Replay.Changes(), plain.Changes()) {
		t.Error("the changes differ")
	}
}

func asJSON(t *testing.T, v any) []byte {
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// simulatedWeeks is a cottage in trouble whose gateway is cut off for two days
// and then forwards.
func simulatedWeeks(t *testing.T) (site.Property, []byte) {
	from := time.Date(2013, 6, 3, 0, 0, 0, 0, time.UTC)
	c := simulate.Cottage{ID: "bench-1", Name: "1 Bench", Installed: from.AddDate(0, -2, 0), Every: 15 * time.Minute, Mains: true, Leak: true}
	p := c.Property()
	fault := func(k simulate.Kind, day, days float64) simulate.Fault {
		at := from.Add(time.Duration(day * 24 * float64(time.Hour)))
		return simulate.Fault{Kind: k, From: at, Until: at.Add(time.Duration(days * 24 * float64(time.Hour)))}
	}
	s := simulate.NewSpace(simulate.Config{Property: p, From: from, Comms: simulate.Comms{PackEvery: 15 * time.Minute, DuplicateShare: 0.02}, Faults: []simulate.Fault{
		fault(simulate.MainsDown, 2, 0.3), fault(simulate.UplinkDown, 4, 2), fault(simulate.DehumidifierOff, 7, 5), fault(simulate.GatewayDead, 13, 0.5),
	}}, 11)
	var out bytes.Buffer
	w := simulate.NewRecorder(&out)
	s.Advance(from.AddDate(0, 0, 15), func(m simulate.Message) { _ = w.Write(m) })
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return p, out.Bytes()
}

func oneByOne(t *testing.T, p site.Property, recording []byte) *alerting.Replay {
	t.Helper()
	sites, err := OneSite(p)
	if err != nil {
		t.Fatal(err)
	}
	series := seriesOf([]site.Property{p})
	replay := alerting.NewReplay(alerting.Description{Property: p.ID, Versions: []site.Property{p}, Series: series})
	for _, line := range bytes.Split(bytes.TrimSpace(recording), []byte("\n")) {
		m, err := parseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		d := NewChecker(sites, senml.Limits{}).Decode(m)
		us, gateway := d.Received.UnixMicro(), replay.Evaluator().Gateway(d.Gateway)
		out := alerting.Message{Received: d.Received, Contact: alerting.Contact{At: us, Gateway: gateway, Presence: alerting.Presence(d.Presence)}}
		for _, x := range d.Readings {
			for n, s := range series {
				if s.Point == x.Point && s.Quantity == x.Quantity {
					out.Readings = append(out.Readings, alerting.Reading{At: x.At.UnixMicro(), Received: us, Value: x.Value, Series: uint16(n), Gateway: gateway})
				}
			}
		}
		if err := replay.Receive(out); err != nil {
			t.Fatal(err)
		}
	}
	return replay
}

func TestRehearseEachGivesEachItsOwn(t *testing.T) {
	t.Parallel()
	as, other := floatHouse(t), floatHouse(t)
	limits, err := site.ParseLimits([]byte("high-water: off\n"), "l.yaml")
	if err != nil {
		t.Fatal(err)
	}
	other[0].Limits = limits
	all, err := RehearseEach(strings.NewReader(wet(0, true)+wet(90, true)), as, other)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := all[0].Replay.Alarms(), all[1].Replay.Alarms(); len(a) != 1 || len(b) != 0 {
		t.Errorf("%d and %d alarms, want 1 and 0", len(a), len(b))
	}
}

// FuzzGuessedLine holds the quick way through a line against the slow one: the
// same message, or the slow way decides.
func FuzzGuessedLine(f *testing.F) {
	for _, line := range []string{
		wet(0, true), recorded(1, "underkeep/1/heron-07/gw1/presence", `"online"`), recorded(1, readingsTopic, `[]`),
		recorded(1, readingsTopic, `[{"n":"north-bay/rh","u":"%RH","v":50,"t":1780315200}],"more":[1]`),
		recorded(1, readingsTopic, `[{"n":"north-bay/rh","u":"%RH","v":50,"t":1780315200}],"payload":[]`),
		recorded(1, "underkeep/1/heron-07/gw1/presence", `["online"]`), `{"received":"2026-06-01T12:00:00+02:00","topic":"\u0075","payload":[1]}`,
		`{"received":"2026-06-01t12:00:00z","topic":"a","payload":[1]}`, "{\"received\":\"\",\"topic\":\"\",\"payload\":[]}",
		`{"received":"2026-06-01T12:00:00Z","topic":"underkeep/1/heron-07/gw1/readings","payload":[{"n":"sump/high-water","vb":true,"x_":1}]}`,
	} {
		f.Add([]byte(strings.TrimSuffix(line, "\n")))
	}
	sites, err := OneSite(floatHouse(f)...)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		d := &drafter{checker: NewChecker(sites, senml.Limits{})}
		got, gotErr := d.decode(line)
		want, wantErr := parseLine(line)
		if (gotErr == nil) != (wantErr == nil) {
			t.Fatalf("%v, want %v", gotErr, wantErr)
		}
		if wantErr != nil {
			return
		}
		if got.Topic != want.Topic || !got.Received.Equal(want.Received) {
			t.Fatalf("%+v, want %+v", got, want)
		}
		fresh := NewChecker(sites, senml.Limits{}).Decode(want)
		if a, b := d.check.out, fresh; len(a.Readings)+len(b.Readings) > 0 && !reflect.DeepEqual(a.Readings, b.Readings) ||
			len(a.Refused) != len(b.Refused) || a.Presence != b.Presence || a.Property != b.Property || a.Gateway != b.Gateway {
			t.Fatalf("%+v, want %+v", a, b)
		}
	})
}
