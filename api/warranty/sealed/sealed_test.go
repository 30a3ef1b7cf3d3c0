package sealed

import (
	"crypto/sha256"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"underkeep/api/warranty"
	"underkeep/store/evidence"
	"underkeep/store/site"
)

const description = `property: heron-07
name: 7 Heron Lane
timezone: America/New_York
installed: 2026-03-02
points:
  - {id: north-bay, measures: [rh, air-temp], every: 30m, sensor: {serial: A17, accuracy: {rh: 1 %RH, air-temp: 0.3 C}}}
`

// month is March 2026 as sealed days, with a hole of five hours, a check over a
// salt, and one day whose readings came too late and stand in an amendment.
func month(t testing.TB) (Days, warranty.Input) {
	t.Helper()
	p, err := site.ParseProperty([]byte(description), "heron-07.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(description))
	s := Days{Property: p.ID, From: p.Installed, To: site.Date{Year: 2026, Month: 4, Day: 1}, Descriptions: map[[32]byte][]byte{sum: []byte(description)}}
	in := warranty.Input{Property: p.ID, Versions: []warranty.Version{{Property: p}}, From: s.From, To: s.To}
	var rh, temp warranty.Chunk
	check := warranty.Check{ID: "heron-07.c1", At: time.Date(2026, 3, 20, 15, 0, 0, 0, time.UTC), Point: "north-bay", Serial: "A17", Salt: "NaCl",
		TempC: 20, ReadPct: 76.5, ExpectedPct: 75.479, OffsetPct: 1.021, OffsetStandardPct: 0.3}
	in.Checks = []warranty.Check{check}
	for d := s.From; d.Before(s.To); d = d.AddDays(1) {
		day := &evidence.Day{Property: p.ID, Date: d, Zone: p.Timezone, From: d.In(p.Zone()).UTC(), To: d.AddDays(1).In(p.Zone()).UTC(), SealDelay: 72 * time.Hour,
			Description: evidence.Description{Version: 1, SHA256: sum}}
		b := evidence.Block{Point: "north-bay", Gateway: "gw1", Quantities: []site.Quantity{site.RH, site.AirTemp}, Values: make([][]float64, 2)}
		for at := day.From; at.Before(day.To); at = at.Add(30 * time.Minute) {
			h := at.Sub(s.From.In(p.Zone())).Hours()
			if h > 400 && h < 405 {
				continue
			}
			received := at.Add(time.Second)
			if d.Day == 25 {
				received = day.WitnessedUntil().Add(time.Hour)
			}
			b.At, b.Received = append(b.At, at.UnixMicro()), append(b.Received, received.UnixMicro())
			b.Values[0], b.Values[1] = append(b.Values[0], 54+6*math.Sin(h/24)), append(b.Values[1], 18.0)
		}
		for q, c := range []*warranty.Chunk{&rh, &temp} {
			c.At, c.Received, c.Values = append(c.At, b.At...), append(c.Received, b.Received...), append(c.Values, b.Values[q]...)
		}
		if d.Day == 20 {
			line, err := Line(check)
			if err != nil {
				t.Fatal(err)
			}
			day.Sections = []evidence.Section{{Name: SectionChecks, Lines: []string{line}}}
		}
		s.Records = append(s.Records, day)
		in.Days = append(in.Days, warranty.Day{Date: d, Witnessed: day.WitnessedUntil().UnixMicro(), Sealed: true})
		if d.Day == 25 {
			late := *day
			late.Amendment, late.Unwitnessed, late.Blocks = 1, true, []evidence.Block{b}
			s.Records = append(s.Records, &late)
			continue
		}
		day.Blocks = []evidence.Block{b}
	}
	in.Series = []warranty.Series{{Point: "north-bay", Quantity: site.RH, Chunks: []warranty.Chunk{rh}}, {Point: "north-bay", Quantity: site.AirTemp, Chunks: []warranty.Chunk{temp}}}
	return s, in
}

func standard() Terms {
	all, texts := warranty.Shipped()
	var t Terms
	t.Add(warranty.InForce{From: site.Date{Year: 2026, Month: 3, Day: 2}, Terms: all[0]}, texts[0])
	return t
}

// TestSameFromDaysAsFromColumns: the way to the readings changes nothing.
func TestSameFromDaysAsFromColumns(t *testing.T) {
	t.Parallel()
	s, in := month(t)
	in.Terms = standard().InForce
	a, err := warranty.Judge(in)
	if err != nil {
		t.Fatal(err)
	}
	fromDays, err := s.Input(in.Terms)
	if err != nil {
		t.Fatal(err)
	}
	b, err := warranty.Judge(fromDays)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(a, b) {
		t.Errorf("from columns %+v\nfrom days %+v", a, b)
	}
	if len(b.Late) != 2 || b.Late[0].Readings != 48 || len(b.Points[0].Trust) < 2 || len(b.Gaps) != 2 {
		t.Errorf("late %+v, trust %+v, gaps %+v", b.Late, b.Points[0].Trust, b.Gaps)
	}
}

func verified(s Days, files []evidence.File) *evidence.Verified {
	return &evidence.Verified{Days: s.Records, Bundle: &evidence.Bundle{Property: s.Property, From: s.From, Through: s.To.AddDays(-1), Descriptions: s.Descriptions, Extra: files}}
}

// TestCheckRecomputes: a verdict that does not follow from the days is found,
// and so are other terms than were assigned.
func TestCheckRecomputes(t *testing.T) {
	t.Parallel()
	s, _ := month(t)
	v, files, err := Files(s, standard())
	if err != nil || len(files) != 3 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	if says, err := Check(verified(s, files)); err != nil || !strings.HasPrefix(says, string(v.Outcome)) {
		t.Fatalf("%q, %v", says, err)
	}
	for name, c := range map[string]struct {
		file, old, new string
	}{
		"verdict": {fileVerdict, `"verdict": "kept"`, `"verdict": "not-kept"`},
		"figure":  {fileVerdict, `"days": 30`, `"days": 31`},
		"terms":   {"terms/standard-60-1.yaml", "limit: 60 %RH", "limit: 61 %RH"},
		"version": {fileInForce, "standard-60 1", "standard-60 2"},
		"day":     {fileInForce, "2026-03-02", "2026-03-09"},
	} {
		changed := make([]evidence.File, len(files))
		copy(changed, files)
		found := false
		for i, f := range changed {
			if f.Name == c.file && strings.Contains(string(f.Content), c.old) {
				changed[i].Content, found = []byte(strings.Replace(string(f.Content), c.old, c.new, 1)), true
			}
		}
		if !found {
			t.Fatalf("%s: nothing to change", name)
		}
		if says, err := Check(verified(s, changed)); err == nil {
			t.Errorf("%s: passes as %q", name, says)
		}
	}
	if _, err := Check(verified(s, append(files, evidence.File{Name: "verdict/more.txt"}))); err == nil {
		t.Error("a file that nothing names passes")
	}
	s.Records[0].Sections = []evidence.Section{{Name: SectionTerms, Lines: []string{`{"from":"2026-03-02","terms":"coastal-65"}`}}}
	if _, err := Check(verified(s, files)); err == nil || !strings.Contains(err.Error(), "coastal-65") {
		t.Errorf("other terms than were assigned: %v", err)
	}
}

// TestUnwitnessedChangesProveNothing: a change of an alarm that came into the log
// when the delay was over is told as such and changes nothing that was there in
// time; an alarm known by such changes alone is marked.
func TestUnwitnessedChangesProveNothing(t *testing.T) {
	t.Parallel()
	s, _ := month(t)
	entry := func(alarm int, kind, by string, day *evidence.Day) evidence.JournalEntry {
		return evidence.JournalEntry{At: day.From.Add(time.Hour), Alarm: alarm, Kind: kind, Condition: "humidity-high", Point: "north-bay", Priority: "medium",
			RaisedAt: day.From, KnownAt: day.From, By: by}
	}
	day, late := s.Records[5], &evidence.Day{}
	*late = *day
	late.Amendment, late.Unwitnessed, late.Blocks = 1, true, nil
	day.Journal = []evidence.JournalEntry{entry(1, "raised", "evaluation", day)}
	cleared, withdrawn := entry(1, "cleared", "evaluation", day), entry(1, "withdrawn", "evaluation", day)
	cleared.ClearedAt, withdrawn.WithdrawnAt = day.From.Add(2*time.Hour), day.From.Add(3*time.Hour)
	late.Journal = []evidence.JournalEntry{cleared, withdrawn, entry(1, "acknowledged", "person:"+strings.Repeat("a", 64), day), entry(2, "raised", "evaluation", day)}
	s.Records = append(s.Records[:6], append([]*evidence.Day{late}, s.Records[6:]...)...)
	in, err := s.Input(standard().InForce)
	if err != nil {
		t.Fatal(err)
	}
	if len(in.Alarms) != 2 {
		t.Fatalf("%+v", in.Alarms)
	}
	if a := in.Alarms[0]; a.Unwitnessed || !a.LateChange || a.Withdrawn || a.ClearedAt != nil || len(a.Answers) != 1 || !a.Answers[0].Unwitnessed {
		t.Errorf("raised in time, and changed too late: %+v", a)
	}
	if a := in.Alarms[1]; !a.Unwitnessed {
		t.Errorf("known too late: %+v", a)
	}
	v, err := warranty.Judge(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range v.Pieces {
		for _, r := range p.Results {
			if r.Behind != nil && strings.Contains(strings.Join(r.Behind.Alarms, " "), ".2") {
				t.Errorf("%s rests on an alarm that nobody saw in time", r.Term)
			}
		}
	}
}

// TestDaysBeside: what was recorded on days outside the period counts, and nothing
// that was measured on them.
func TestDaysBeside(t *testing.T) {
	t.Parallel()
	s, _ := month(t)
	beside := func(date site.Date, section, line string) *evidence.Day {
		d := *s.Records[0]
		zone := d.From.Sub(s.From.In(time.UTC))
		d.Date, d.From, d.To = date, date.In(time.UTC).Add(zone), date.AddDays(1).In(time.UTC).Add(zone)
		d.Sections = []evidence.Section{{Name: section, Lines: []string{line}}}
		return &d
	}
	before, err := Line(warranty.Check{ID: "heron-07.c0", At: time.Date(2026, 3, 5, 15, 0, 0, 0, time.UTC), Point: "north-bay", Serial: "A17", OffsetPct: 2, OffsetStandardPct: 0.2})
	if err != nil {
		t.Fatal(err)
	}
	whole := s.Records
	s.From, s.Records = site.Date{Year: 2026, Month: 3, Day: 10}, nil
	for _, d := range whole {
		if !d.Date.Before(s.From) {
			s.Records = append(s.Records, d)
		}
	}
	s.Also = []*evidence.Day{
		beside(site.Date{Year: 2026, Month: 3, Day: 5}, SectionChecks, before),
		beside(site.Date{Year: 2026, Month: 4, Day: 9}, SectionChecks, `{"id":"heron-07.c1","withdrawn":"2026-04-09T12:00:00Z"}`),
	}
	in, err := s.Input(standard().InForce)
	if err != nil {
		t.Fatal(err)
	}
	if len(in.Checks) != 1 || in.Checks[0].ID != "heron-07.c0" || len(in.Days) != 22 || in.Days[0].Date != s.From {
		t.Fatalf("checks %+v, %d days from %s", in.Checks, len(in.Days), in.Days[0].Date)
	}
	first := in.Series[0].Chunks[0].At[0]
	if first < s.From.In(time.UTC).UnixMicro() {
		t.Error("readings of a day beside the period are in it")
	}
	v, err := warranty.Judge(in)
	if err != nil {
		t.Fatal(err)
	}
	if trust := v.Points[0].Trust; trust[0].OffsetPct != 2 {
		t.Errorf("%+v", trust)
	}
}
