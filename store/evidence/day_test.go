package evidence

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"underkeep/store/site"
)

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t.UTC()
}

func micros(s string) int64 { return at(s).UnixMicro() }

// goldenDay is testdata/day.txt by hand.
func goldenDay() *Day {
	return &Day{
		Property: "heron-07", Date: site.Date{Year: 2026, Month: 3, Day: 2}, Zone: "America/New_York",
		From: at("2026-03-02T05:00:00Z"), To: at("2026-03-03T05:00:00Z"), SealDelay: 72 * time.Hour,
		Previous:    [32]byte{0xab, 31: 0xcd},
		Description: Description{Version: 2, SHA256: [32]byte{1, 31: 2}},
		Blocks: []Block{
			{Point: "north-bay", Gateway: "main", Quantities: []site.Quantity{site.RH, site.AirTemp},
				At:        []int64{micros("2026-03-02T05:00:13Z"), micros("2026-03-02T05:05:13.25Z"), micros("2026-03-03T04:59:59.999999Z")},
				Received:  []int64{micros("2026-03-02T05:00:15.113Z"), micros("2026-03-02T05:05:13.25Z"), micros("2026-03-03T04:59:58.5Z")},
				AtReceipt: []bool{false, true, false},
				Values:    [][]float64{{55.31, math.NaN(), 100}, {-0.5, 21.4, 12.300000000000002}}},
			{Point: "sump", Gateway: "main", Quantities: []site.Quantity{site.PumpRun, site.HighWater},
				At: []int64{micros("2026-03-02T06:00:00Z")}, Received: []int64{micros("2026-03-04T06:00:00Z")}, Values: [][]float64{{31.5}, {0}}},
		},
		Contacts:   []Contact{{at("2026-03-02T05:00:00Z"), "main", "online"}, {at("2026-03-02T16:30:00.5Z"), "main", "message"}},
		Deaf:       []Span{{at("2026-03-02T07:00:00Z"), at("2026-03-03T05:00:00Z")}},
		Quarantine: []Refused{{"impossible-value", 3}, {"time-ahead", 1}},
		Journal: []JournalEntry{
			{At: at("2026-03-02T13:00:00.123Z"), Alarm: 3, Kind: "raised", Condition: "humidity-high", Point: "north-bay", Priority: "medium",
				RaisedAt: at("2026-03-02T12:59:13Z"), KnownAt: at("2026-03-02T13:00:00Z"), Causes: []string{"dehumidifier-off", "vents-open"}, By: "evaluation"},
			{At: at("2026-03-02T14:00:00Z"), Alarm: 3, Kind: "acknowledged", Condition: "humidity-high", Priority: "high",
				RaisedAt: at("2026-03-02T12:59:13Z"), KnownAt: at("2026-03-02T13:00:00Z"), ClearedAt: at("2026-03-02T13:30:00Z"),
				WithdrawnAt: at("2026-03-02T13:40:00Z"), SuppressedBy: "mains-lost",
				By: "person:" + strings.Repeat("0f", 32), Why: "late data: it was drier than thought"},
		},
		Sections: []Section{{"sensor-checks", []string{"north-bay rh salt NaCl expected 75.3 read 74.1"}}, {"visits", []string{"a line", "ein Zähler"}}},
	}
}

// sameDay: equal bit by bit; NaN stands for no value.
var sameDay = cmp.Options{cmpopts.EquateEmpty(), cmp.Comparer(func(a, b float64) bool {
	return math.Float64bits(a) == math.Float64bits(b) || math.IsNaN(a) && math.IsNaN(b)
})}

func TestGoldenText(t *testing.T) {
	t.Parallel()
	want, err := os.ReadFile("testdata/day.txt")
	if err != nil {
		t.Fatal(err)
	}
	got, err := goldenDay().Text()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("text (-want +got):\n%s", diff)
	}
	parsed, err := ParseDay(want)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(goldenDay(), parsed, sameDay); diff != "" {
		t.Errorf("parsed (-want +got):\n%s", diff)
	}
}

// TestHashByHand: the leaf hash is what two common programs say.
func TestHashByHand(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("testdata/day.txt")
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("sh", "-c", `(printf '\000'; cat testdata/day.txt) | sha256sum`).Output()
	if err != nil {
		t.Fatal(err)
	}
	h := LeafHash(text)
	if got, _, _ := strings.Cut(string(out), " "); got != hex.EncodeToString(h[:]) {
		t.Errorf("sha256sum says %s, LeafHash %x", got, h)
	}
}

func TestReadingsOfADay(t *testing.T) {
	t.Parallel()
	d := goldenDay()
	var got []Reading
	for r := range d.Readings() {
		got = append(got, r)
	}
	if len(got) != d.Count() || len(got) != 7 {
		t.Fatalf("%d readings, counted %d, want 7", len(got), d.Count())
	}
	want := Reading{Point: "north-bay", Gateway: "main", Quantity: site.AirTemp, At: at("2026-03-02T05:05:13.25Z"), Value: 21.4,
		Received: at("2026-03-02T05:05:13.25Z"), AtReceipt: true}
	if got[3] != want {
		t.Errorf("got %+v\nwant %+v", got[3], want)
	}
	if !d.Witnessed(at("2026-03-06T04:59:59.999Z")) || d.Witnessed(at("2026-03-06T05:00:00Z")) {
		t.Error("the delay of 72 h ends at 2026-03-06 05:00 UTC")
	}
}

// TestOtherTextsAreRefused changes the golden text into texts that say the same
// or nearly so.
func TestOtherTextsAreRefused(t *testing.T) {
	t.Parallel()
	golden, err := os.ReadFile("testdata/day.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range [][2]string{
		{"55.31", "55.310"}, {"55.31", "5.531e1"}, {"55.31", "+55.31"}, {"55.31", "055.31"}, {"-0.5", "-.5"}, {" 100 ", " 1e2 "},
		{"12.300000000000002", "12.3000000000000020"}, {"12.300000000000002", "NaN"}, {"12.300000000000002", "Inf"},
		{"+2.113", "+2.1130"}, {"+2.113", "2.113"}, {"+0 ", "-0 "}, {"+0 ", "+00 "},
		{"00:05:13.25r", "00:05:13.250r"}, {"00:00:13 ", "00:00:13.0 "}, {"23:59:59.999999", "24:00:00"}, {"00:05:13.25r", "00:04:73.25r"},
		{"readings 3", "readings 03"}, {"readings 3", "readings 2"}, {"readings 1 ", "readings 2 "}, {"rh[%RH]", "rh"},
		{"rh[%RH] air-temp[Cel]", "air-temp[Cel] rh[%RH]"}, {"rh[%RH]", "rh[%]"}, {"\n", "\r\n"}, {"end\n", "end"}, {"end\n", "end\n\n"},
		{"property heron-07", "property  heron-07"}, {"property heron-07", "property Heron-07"}, {"seal-delay 259200", "seal-delay 0259200"},
		{"record day", "record day unwitnessed"}, {"record day", "record amendment 0"}, {"impossible-value 3", "impossible-value 0"},
		{"2026-03-02T05:00:00Z", "2026-03-02T00:00:00-05:00"}, {"raised 2026", "raised 2027-01-01T00:00:00.0Z raised 2026"},
		{"suppressed-by -", "suppressed-by"}, {"why -", "why  -"}, {"section visits", "section a-visits"}, {"ein Zähler", "ein Z\xe4hler"},
		{"deaf 1", "deaf 2"}, {"main online", "main awake"}, {"journal 2", "journal 999999999"}, {"ab0000", "AB0000"},
	} {
		text := bytes.Replace(golden, []byte(c[0]), []byte(c[1]), 1)
		if bytes.Equal(text, golden) {
			t.Errorf("%q is not in the golden text", c[0])
		}
		if _, err := ParseDay(text); err == nil {
			t.Errorf("%q for %q is taken", c[1], c[0])
		}
	}
	for n := range len(golden) {
		if _, err := ParseDay(golden[:n]); err == nil {
			t.Errorf("taken when cut to %d bytes", n)
		}
	}
	if _, err := ParseDay(bytes.Replace(golden, []byte("55.31"), []byte("55.310"), 1)); !errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), "line 13") {
		t.Errorf("error %v, want one that names line 13", err)
	}
}

func TestUnwritableRecords(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(*Day){
		"value outside the day": func(d *Day) { d.Blocks[0].At[0] -= 3600e6 },
		"rows out of order":     func(d *Day) { d.Blocks[0].At[0] = d.Blocks[0].At[1] + 1 },
		"two values at one time": func(d *Day) {
			d.Blocks[0].At[0] = d.Blocks[0].At[1]
			d.Blocks[0].Received[0] = d.Blocks[0].Received[1] - 1
		},
		"a row without value":         func(d *Day) { d.Blocks[1].Values = [][]float64{{math.NaN()}, {math.NaN()}} },
		"a column without value":      func(d *Day) { d.Blocks[1].Values[1][0] = math.NaN() },
		"an infinite value":           func(d *Day) { d.Blocks[1].Values[1][0] = math.Inf(1) },
		"a mark that marks nothing":   func(d *Day) { d.Blocks[0].AtReceipt[1] = false },
		"blocks out of order":         func(d *Day) { d.Blocks[0], d.Blocks[1] = d.Blocks[1], d.Blocks[0] },
		"the same point twice":        func(d *Day) { d.Blocks[0].Point = "sump" },
		"an unknown quantity":         func(d *Day) { d.Blocks[1].Quantities[1] = 200 },
		"contacts out of order":       func(d *Day) { d.Contacts[0], d.Contacts[1] = d.Contacts[1], d.Contacts[0] },
		"a name with a line break":    func(d *Day) { d.Journal[1].Why = "a\nb" },
		"a person by name":            func(d *Day) { d.Journal[1].By = "R. Okafor" },
		"sections out of order":       func(d *Day) { d.Sections[0].Name = "zebra" },
		"an empty section":            func(d *Day) { d.Sections[0].Lines = nil },
		"a deaf time beyond the day":  func(d *Day) { d.Deaf[0].To = d.To.Add(time.Second) },
		"an amendment of nothing":     func(d *Day) { d.Amendment, d.Previous = 1, [32]byte{} },
		"early data called late":      func(d *Day) { d.Amendment, d.Unwitnessed = 1, true },
		"a date far from its bounds":  func(d *Day) { d.Date = d.Date.AddDays(2) },
		"no description":              func(d *Day) { d.Description.Version = 0 },
		"a delay of half a second":    func(d *Day) { d.SealDelay += time.Second / 2 },
		"one value by two gateways":   func(d *Day) { second := d.Blocks[1]; second.Gateway = "spare"; d.Blocks = append(d.Blocks, second) },
		"a contact of half a µs":      func(d *Day) { d.Contacts[1].At = d.Contacts[1].At.Add(500) },
		"a journal of the day before": func(d *Day) { d.Journal[0].At = d.From.Add(-1) },
	} {
		d := goldenDay()
		spoil(d)
		if _, err := d.Text(); err == nil {
			t.Errorf("%s: written", name)
		}
	}
}

func TestDaysOfTheChangeOfClocks(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for day, hours := range map[site.Date]int{{Year: 2026, Month: 3, Day: 8}: 23, {Year: 2026, Month: 11, Day: 1}: 25} {
		d := goldenDay()
		d.Date, d.From, d.To = day, day.In(zone).UTC(), day.AddDays(1).In(zone).UTC()
		d.Contacts, d.Deaf, d.Journal, d.Quarantine = nil, nil, nil, nil
		last := d.To.Add(-time.Second).UnixMicro()
		d.Blocks = []Block{{Point: "sump", Gateway: "main", Quantities: []site.Quantity{site.Leak}, At: []int64{last}, Received: []int64{last}, Values: [][]float64{{1}}}}
		text, err := d.Text()
		if err != nil {
			t.Fatal(err)
		}
		if want := map[int]string{23: "\n22:59:59 +0 1\n", 25: "\n24:59:59 +0 1\n"}[hours]; !strings.Contains(string(text), want) {
			t.Errorf("the last second of the day of %d h is not %q:\n%s", hours, want, text)
		}
		if again, err := ParseDay(text); err != nil || !again.To.Equal(d.To) {
			t.Error(again, err)
		}
	}
}
