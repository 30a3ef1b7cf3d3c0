package simulate

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"underkeep/store/site"
)

// The fleet's own files are read back by the parser of property files, and each
// arranged trouble shows in what is really the case.
func TestFleetIsDescribedByItsFiles(t *testing.T) {
	t.Parallel()
	f := NewFleet(24, 1, time.Date(2026, 11, 25, 14, 3, 20, 0, time.UTC))
	ps, err := site.ParseProperties(f.YAML(), "fleet.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(ps) != 24 || len(f.Notes) < 12 {
		t.Fatalf("%d properties, %d notes", len(ps), len(f.Notes))
	}
	ids := map[string]bool{}
	for i, p := range ps {
		if ids[p.ID] || !site.ValidID(p.ID) {
			t.Errorf("id %q", p.ID)
		}
		ids[p.ID] = true
		if len(p.Points) != len(f.Spaces[i].property.Points) {
			t.Errorf("%s: %d points read, %d simulated", p.ID, len(p.Points), len(f.Spaces[i].property.Points))
		}
	}
}

// Whatever the hour at which a demo begins, the excursion of one cottage began
// just under six hours before, so that its alarm falls due within two minutes.
func TestOneCottageFallsDueWithinTwoMinutes(t *testing.T) {
	t.Parallel()
	for _, live := range []time.Time{
		time.Date(2026, 11, 25, 14, 3, 20, 0, time.UTC),
		time.Date(2026, 2, 3, 3, 59, 59, 0, time.UTC),
		time.Date(2026, 12, 3, 6, 10, 31, 0, time.UTC),
		time.Date(2026, 12, 3, 12, 30, 31, 0, time.UTC),
		time.Date(2027, 7, 30, 20, 30, 1, 0, time.UTC),
	} {
		f := NewFleet(3, 1, live)
		s := f.Spaces[2]
		over := map[string]time.Time{}
		take := func(_ *Space, m Message) error {
			m.Each(func(r Reading) {
				switch {
				case r.Quantity != site.RH || r.Point == "outdoors":
				case r.Value <= 60:
					delete(over, r.Point)
				case over[r.Point].IsZero():
					over[r.Point] = r.At
				}
			})
			return nil
		}
		f.Spaces = f.Spaces[2:]
		if err := f.History(take); err != nil {
			t.Fatal(err)
		}
		if err := f.Advance(live.Add(3*time.Minute), take); err != nil {
			t.Fatal(err)
		}
		first := time.Time{}
		for _, at := range over {
			if first.IsZero() || at.Before(first) {
				first = at
			}
		}
		if due := first.Add(6 * time.Hour).Sub(live); first.IsZero() || due < 0 || due > 2*time.Minute {
			t.Errorf("live at %s: due %s after (%v), faults %v", live, due, over, s.Faults())
		}
	}
}

func TestRecordingsAreJSONLines(t *testing.T) {
	t.Parallel()
	from := time.Date(2013, 6, 7, 0, 0, 0, 0, time.UTC)
	s := testSpace(3, from, Fault{Kind: GatewayDead, From: from.Add(2 * time.Hour), Until: from.Add(3 * time.Hour)})
	var b bytes.Buffer
	rec := NewRecorder(&b)
	n := 0
	s.Advance(from.Add(6*time.Hour), func(m Message) {
		n++
		if err := rec.Write(m); err != nil {
			t.Fatal(err)
		}
	})
	if err := rec.Flush(); err != nil {
		t.Fatal(err)
	}
	presence := map[string]int{}
	lines := bytes.Split(bytes.TrimSpace(b.Bytes()), []byte("\n"))
	for _, line := range lines {
		var l struct {
			Received time.Time       `json:"received"`
			Topic    string          `json:"topic"`
			Payload  json.RawMessage `json:"payload"`
		}
		if err := json.Unmarshal(line, &l); err != nil || l.Received.IsZero() || l.Topic == "" {
			t.Fatalf("%s: %v", line, err)
		}
		if l.Payload[0] == '"' {
			presence[string(l.Payload)]++
		}
	}
	if len(lines) != n || presence[`"online"`] != 2 || presence[`"offline"`] != 1 {
		t.Errorf("%d lines of %d messages, presence %v", len(lines), n, presence)
	}
}

// BenchmarkFleetHistory is the demo's past: 24 cottages, 92 days, generated and
// encoded on one core.
func BenchmarkFleetHistory(b *testing.B) {
	for b.Loop() {
		f := NewFleet(24, 1, time.Date(2026, 11, 25, 14, 3, 20, 0, time.UTC))
		records := 0
		if err := f.History(func(_ *Space, m Message) error { records += m.Records; return nil }); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(records), "readings/op")
	}
}

// A stream of load is spread evenly and sends what the contract says.
func TestLoadIsSpread(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	l := Load{Properties: 1000, Every: 5 * time.Second, AirPoints: 2}
	if at := l.Due(500, 3, start); !at.Equal(start.Add(17500 * time.Millisecond)) {
		t.Errorf("property 500, report 3 is due %s", at.Sub(start))
	}
	p := l.Property(7, start.AddDate(0, -1, 0))
	if _, err := site.ParseProperty(site.FormatProperty(p), "load.yaml"); err != nil {
		t.Fatal(err)
	}
	m := l.Message(7, l.Due(7, 1, start))
	var pack []struct {
		N, U string
		BT   float64
		V    *float64
	}
	if err := json.Unmarshal(m.Payload, &pack); err != nil {
		t.Fatalf("%s: %v", m.Payload, err)
	}
	if len(pack) != m.Records || m.Records != 4 || pack[0].BT != float64(l.Due(7, 1, start).UnixMilli())/1000 || m.Topic != "underkeep/1/"+p.ID+"/gw-1/readings" {
		t.Errorf("%s on %s", m.Payload, m.Topic)
	}
	for i, r := range pack {
		pt := p.Points[i/2]
		if q := pt.Measures[i%2]; r.N != pt.ID+"/"+q.String() || r.U != q.Spec().Units[0] || r.V == nil {
			t.Errorf("record %d: %+v", i, r)
		}
	}
}
