package evidence

import (
	"bytes"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"underkeep/store/site"
)

// drawValue makes what sensors send, and whatever else a float64 can be.
func drawValue(t *rapid.T) float64 {
	switch rapid.IntRange(0, 3).Draw(t, "kind of value") {
	case 0:
		return float64(rapid.IntRange(-4000, 10000).Draw(t, "hundredths")) / 100
	case 1:
		return float64(rapid.IntRange(0, 1).Draw(t, "state"))
	case 2:
		return float64(rapid.IntRange(0, 5000).Draw(t, "tenths")) / 10 * 1000
	}
	v := math.Float64frombits(rapid.Uint64().Draw(t, "bits"))
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// drawBlock makes the readings of one point; every row has a time of its own.
func drawBlock(t *rapid.T, d *Day, point string) (Block, bool) {
	quantities := rapid.SliceOfNDistinct(rapid.IntRange(1, 14), 1, 3, rapid.ID).Draw(t, "quantities")
	slices.Sort(quantities)
	b := Block{Point: point, Gateway: "main"}
	for _, q := range quantities {
		b.Quantities = append(b.Quantities, site.Quantity(q))
	}
	length := d.To.Sub(d.From).Microseconds()
	unit := rapid.SampledFrom([]int64{1, 1000, 1e6}).Draw(t, "unit")
	offsets := rapid.SliceOfNDistinct(rapid.Int64Range(0, length/unit-1), 1, 20, rapid.ID).Draw(t, "times")
	slices.Sort(offsets)
	b.Values = make([][]float64, len(quantities))
	marks := make([]bool, len(offsets))
	for row, o := range offsets {
		b.At = append(b.At, d.From.UnixMicro()+o*unit)
		b.Received = append(b.Received, b.At[row]+rapid.Int64Range(-600_000, 400_000_000).Draw(t, "delay")*unit/1000)
		marks[row] = rapid.IntRange(0, 9).Draw(t, "mark") == 0
		for q := range b.Values {
			v := drawValue(t)
			if q > 0 && rapid.IntRange(0, 4).Draw(t, "hole") == 0 {
				v = math.NaN()
			}
			b.Values[q] = append(b.Values[q], v)
		}
	}
	if slices.Contains(marks, true) {
		b.AtReceipt = marks
	}
	for _, values := range b.Values {
		if !slices.ContainsFunc(values, func(v float64) bool { return !math.IsNaN(v) }) {
			return Block{}, false
		}
	}
	return b, true
}

func drawDay(t *rapid.T) *Day {
	d := goldenDay()
	d.Blocks = nil
	for _, point := range []string{"attic", "north-bay", "sump"} {
		if b, ok := drawBlock(t, d, point); ok && rapid.Bool().Draw(t, point) {
			d.Blocks = append(d.Blocks, b)
		}
	}
	if rapid.Bool().Draw(t, "first") {
		d.Previous = [32]byte{}
	}
	return d
}

func TestTextRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := drawDay(t)
		text, err := d.Text()
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseDay(text)
		if err != nil {
			t.Fatalf("%v in\n%s", err, text)
		}
		if diff := cmp.Diff(d, got, sameDay); diff != "" {
			t.Fatal(diff)
		}
	})
}

// TestNumbersAsStrconv holds the short ways of numbers against the standard
// library.
func TestNumbersAsStrconv(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := drawValue(t)
		text := appendValue(nil, v)
		want := strconv.FormatFloat(v, 'f', -1, 64)
		if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
			want = strconv.FormatFloat(v, 'e', -1, 64)
		}
		if string(text) != want {
			t.Fatalf("%v is written %s, want %s", v, text, want)
		}
		back, err := parseValue(text)
		if err != nil || math.Float64bits(back) != math.Float64bits(v) {
			t.Fatalf("%s is read as %v, %v", text, back, err)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`-?[0-9]{1,17}(\.[0-9]{1,12})?(e-?[0-9])?`).Draw(t, "text")
		want, _ := strconv.ParseFloat(text, 64)
		if got, err := parseValue([]byte(text)); err != nil || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%s is read as %v, %v; strconv says %v", text, got, err, want)
		}
	})
}

func TestTimesRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		µs := rapid.Int64Range(0, 99*microsPerHour+59*microsPerMinute).Draw(t, "offset")
		if got, err := parseOffset(appendOffset(nil, µs)); err != nil || got != µs {
			t.Fatal(µs, got, err)
		}
		delay := rapid.Int64Range(-maxDelay*microsPerSecond, maxDelay*microsPerSecond).Draw(t, "delay")
		if got, err := parseDelay(appendDelay(nil, delay)); err != nil || got != delay {
			t.Fatal(delay, got, err)
		}
	})
	if got := string(appendOffset(nil, (7*time.Hour + 5*time.Minute + 13*time.Second + 20*time.Millisecond).Microseconds())); got != "07:05:13.02" {
		t.Error(got)
	}
}

func FuzzParseDay(f *testing.F) {
	golden, err := os.ReadFile("testdata/day.txt")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(golden)
	f.Add([]byte(firstLine + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := ParseDay(text)
		if err != nil {
			return
		}
		again, err := d.Text()
		if err != nil || !bytes.Equal(again, text) {
			t.Fatalf("%v: taken, but written otherwise:\n%q\n%q", err, text, again)
		}
	})
}

func FuzzReadZip(f *testing.F) {
	golden, err := WriteZip([]File{{"README.txt", []byte("read me\n")}, {"days/a.txt", nil}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(golden)
	f.Fuzz(func(t *testing.T, data []byte) {
		files, err := ReadZip(data)
		if err != nil {
			return
		}
		if again, err := WriteZip(files); err != nil || !bytes.Equal(again, data) {
			t.Fatal("taken, but written otherwise", err)
		}
	})
}
