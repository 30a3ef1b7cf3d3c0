package evidence

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// TestPackedGivesTheTextBack byte for byte, whatever was in the day.
func TestPackedGivesTheTextBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := drawDay(t)
		text, err := d.Text()
		if err != nil {
			t.Fatal(err)
		}
		p, err := Pack(d)
		if err != nil {
			t.Fatal(err)
		}
		if err := p.Gives(d); err != nil {
			t.Fatal(err)
		}
		again, err := p.Unpack()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := again.Text(); err != nil || !bytes.Equal(got, text) {
			t.Fatalf("%v\n%s\n%s", err, text, got)
		}
		for i, b := range d.Blocks {
			one, err := UnpackQuantity(p.Blocks[i].Data, d.From.UnixMicro(), b.Quantities[0])
			if err != nil || len(one.Values) != 1 || len(one.Values[0]) != len(b.At) {
				t.Fatal(one, err)
			}
			for row, v := range b.Values[0] {
				if got := one.Values[0][row]; math.Float64bits(got) != math.Float64bits(v) && !(math.IsNaN(got) && math.IsNaN(v)) {
					t.Fatalf("row %d: %v, want %v", row, got, v)
				}
			}
		}
	})
}

// TestGivesIsNotFooled: a packed form gives no other day than its own, by however
// little the two differ.
func TestGivesIsNotFooled(t *testing.T) {
	t.Parallel()
	whole := func() *Day { return noisyDay(rand.New(rand.NewPCG(1, 2)), 2) }
	p, err := Pack(whole())
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Gives(whole()); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Day){
		"a value by its last bit": func(d *Day) { v := &d.Blocks[1].Values[1][287]; *v = math.Nextafter(*v, 100) },
		"a value that is missing": func(d *Day) { d.Blocks[0].Values[0][3] = math.NaN() },
		"a receipt":               func(d *Day) { d.Blocks[1].Received[0]++ },
		"a time":                  func(d *Day) { d.Blocks[0].At[287]++ },
		"a mark":                  func(d *Day) { d.Blocks[0].AtReceipt = make([]bool, 288); d.Blocks[0].AtReceipt[9] = true },
		"a row":                   func(d *Day) { b := &d.Blocks[0]; b.At, b.Received = b.At[:287], b.Received[:287] },
		"a quantity":              func(d *Day) { d.Blocks[0].Quantities = []site.Quantity{site.RH, site.SurfaceTemp} },
		"a gateway":               func(d *Day) { d.Blocks[0].Gateway = "other" },
		"a point":                 func(d *Day) { d.Blocks[1].Point = "bay-c" },
		"a block":                 func(d *Day) { d.Blocks = d.Blocks[:1] },
		"the record before":       func(d *Day) { d.Previous[31]++ },
		"the description":         func(d *Day) { d.Description.SHA256[0]++ },
		"the seal delay":          func(d *Day) { d.SealDelay += time.Second },
		"what was refused":        func(d *Day) { d.Quarantine = []Refused{{"bad-unit", 1}} },
	} {
		d := whole()
		change(d)
		if p.Gives(d) == nil {
			t.Errorf("%s is another, and the packed form gives it", name)
		}
	}
}

// TestPackedBefore: what was packed in the first version of the form is read for
// good (testdata/packed-v1.json was written by it), and no newer code passes
// under its number.
func TestPackedBefore(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("testdata/packed-v1.json")
	if err != nil {
		t.Fatal(err)
	}
	var old []Packed
	if err := json.Unmarshal(raw, &old); err != nil {
		t.Fatal(err)
	}
	days := []*Day{goldenDay(), noisyDay(rand.New(rand.NewPCG(3, 4)), 1)}
	if len(old) != len(days) {
		t.Fatal(len(old))
	}
	for i, d := range days {
		for _, b := range old[i].Blocks {
			if b.Data[0] != 1 {
				t.Fatalf("version %d", b.Data[0])
			}
		}
		if err := old[i].Gives(d); err != nil {
			t.Error(err)
		}
		again, err := old[i].Unpack()
		if err != nil {
			t.Fatal(err)
		}
		got, _ := again.Text()
		if want, _ := d.Text(); !bytes.Equal(got, want) {
			t.Errorf("day %d is another", i)
		}
	}
	now, err := Pack(days[1])
	if err != nil {
		t.Fatal(err)
	}
	data := bytes.Clone(now.Blocks[0].Data)
	if len(data) >= len(old[1].Blocks[0].Data) {
		t.Errorf("%d bytes, no fewer than the %d before", len(data), len(old[1].Blocks[0].Data))
	}
	data[0] = 1
	if _, err := UnpackBlock(data, days[1].From.UnixMicro()); err == nil {
		t.Error("newer codes pass as the first version")
	}
}

// TestColumnsAreThoseOfTheBlocks: gathered columns are what the blocks give one
// by one, with quantities left out, holes and receipts or without.
func TestColumnsAreThoseOfTheBlocks(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := drawDay(t)
		p, err := Pack(d)
		if err != nil {
			t.Fatal(err)
		}
		asked := []site.Quantity{site.AirTemp, site.RH, site.PumpRun}
		c := Columns{Quantities: asked[:rapid.IntRange(1, 3).Draw(t, "asked")], Receipts: rapid.Bool().Draw(t, "receipts"),
			Within: rapid.SampledFrom([]int64{0, 0, 1, 1e6, 200e6, 500e6}).Draw(t, "within")}
		c.Grow(rapid.IntRange(0, 50).Draw(t, "room"))
		row := 0
		for i, packed := range p.Blocks {
			if err := c.Append(packed.Data, d.From.UnixMicro()); err != nil {
				t.Fatal(err)
			}
			b := &d.Blocks[i]
			if !slices.ContainsFunc(b.Quantities, func(q site.Quantity) bool { return slices.Contains(c.Quantities, q) }) {
				continue
			}
			for k := range b.At {
				spared := c.Within > 0 && b.Received[k]-b.At[k] < c.Within && (len(c.Received) == 0 || c.Received[row] == b.At[k])
				if c.At[row] != b.At[k] || c.Receipts && !spared && c.Received[row] != b.Received[k] {
					t.Fatalf("row %d of block %d is at %d", k, i, c.At[row])
				}
				for n, q := range c.Quantities {
					want := math.NaN()
					if at := slices.Index(b.Quantities, q); at >= 0 {
						want = b.Values[at][k]
					}
					if got := c.Values[n][row]; math.Float64bits(got) != math.Float64bits(want) && !(math.IsNaN(got) && math.IsNaN(want)) {
						t.Fatalf("%s in row %d of block %d is %v, want %v", q, k, i, got, want)
					}
				}
				row++
			}
		}
		if c.Finish(); len(c.At) != row || !c.Receipts && c.Received != nil || c.Receipts && len(c.Received) != row {
			t.Fatalf("%d rows, want %d", len(c.At), row)
		}
	})
}

func TestColumnsOfEveryKind(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.SampledFrom([]int64{0, 1, 100, 1 << 20, 1 << 61}).Draw(t, "limit")
		numbers := rapid.SliceOfN(rapid.Int64Range(-limit, limit), 1, 300).Draw(t, "numbers")
		if rapid.Bool().Draw(t, "rising") {
			for i := range numbers {
				numbers[i] = numbers[i]%1000 + int64(i)*300
			}
		}
		if n := rapid.SampledFrom([]int64{0, 2, 3, 1000, 1300, 1<<32 - 1, 1 << 32, 1<<33 + 5}).Draw(t, "spread"); n > 0 {
			for i := range numbers { // evenly over n numbers, the ends included
				numbers[i] = rapid.Int64Range(0, n-1).Draw(t, "even")
			}
			numbers[0], numbers[len(numbers)/2] = 0, n-1
		}
		var p packer
		packed := p.appendColumn(nil, numbers)
		got := make([]int64, len(numbers))
		u := &unpacker{in: packed, version: blockVersion}
		u.column(got)
		if u.err != nil || len(u.in) > 0 {
			t.Fatal(u.err, len(u.in))
		}
		for i := range numbers {
			if got[i] != numbers[i] {
				t.Fatalf("number %d of %v: %d", i, numbers, got[i])
			}
		}
		skip := &unpacker{in: packed, version: blockVersion}
		if skip.column(nil); skip.err != nil || len(skip.in) > 0 {
			t.Fatal("skipping", skip.err, len(skip.in))
		}
	})
}

func FuzzUnpackBlock(f *testing.F) {
	for _, b := range goldenDay().Blocks {
		f.Add((&packer{}).block(&b, goldenDay().From.UnixMicro()))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 1<<12 {
			return
		}
		if b, err := UnpackBlock(data, 0); err == nil && len(b.At) == 0 {
			t.Fatal("an empty block passes")
		}
	})
}

func TestDamagedPacksAreRefused(t *testing.T) {
	t.Parallel()
	d := noisyDay(rand.New(rand.NewPCG(1, 2)), 1)
	p, err := Pack(d)
	if err != nil {
		t.Fatal(err)
	}
	text, err := d.Text()
	if err != nil {
		t.Fatal(err)
	}
	hash := LeafHash(text)
	data := p.Blocks[0].Data
	unnoticed := 0
	for i := range data {
		spoilt := bytes.Clone(data)
		spoilt[i] ^= 1 << (i % 8)
		q := p
		q.Blocks = []PackedBlock{{p.Blocks[0].Point, p.Blocks[0].Gateway, spoilt}}
		again, err := q.Unpack()
		if err != nil {
			continue
		}
		if text, err := again.Text(); err == nil && LeafHash(text) == hash {
			unnoticed++
		}
	}
	if unnoticed > 4 { // the bits that fill the last byte of each column
		t.Errorf("%d bytes make no difference", unnoticed)
	}
	for n := range data {
		if _, err := UnpackBlock(data[:n], d.From.UnixMicro()); err == nil {
			t.Fatalf("taken when cut to %d bytes", n)
		}
	}
}

// noisyDay is a day of points that report every 5 min through one gateway: RH
// and temperature to a hundredth with the noise of a good sensor (0.05 %RH,
// 0.02 °C) on a daily cycle, received up to a second and a half later, to the
// millisecond.
func noisyDay(r *rand.Rand, points int) *Day {
	d := goldenDay()
	d.Blocks, d.Contacts, d.Deaf, d.Quarantine, d.Journal, d.Sections = nil, nil, nil, nil, nil, nil
	for p := range points {
		b := Block{Point: "bay-" + string(rune('a'+p)), Gateway: "main", Quantities: []site.Quantity{site.RH, site.AirTemp}, Values: make([][]float64, 2)}
		walk := 0.0
		for i := range 288 {
			at := d.From.Add(time.Duration(i)*5*time.Minute + time.Duration(p)*7*time.Second).UnixMicro()
			b.At = append(b.At, at)
			b.Received = append(b.Received, at+(200+r.Int64N(1300))*1000)
			cycle := math.Sin(float64(i) / 288 * 2 * math.Pi)
			walk += r.NormFloat64() * 0.03
			b.Values[0] = append(b.Values[0], math.Round((52+2*cycle+walk+r.NormFloat64()*0.05)*100)/100)
			b.Values[1] = append(b.Values[1], math.Round((18-cycle+walk/3+r.NormFloat64()*0.02)*100)/100)
		}
		d.Blocks = append(d.Blocks, b)
	}
	return d
}

// BenchmarkPack reports how much a sample (time, RH, temperature, time of
// receipt) takes, the frame included, beside the time that it takes.
func BenchmarkPack(b *testing.B) {
	d := noisyDay(rand.New(rand.NewPCG(1, 2)), 6)
	var p Packed
	b.Run("pack", func(b *testing.B) {
		for b.Loop() {
			var err error
			if p, err = Pack(d); err != nil {
				b.Fatal(err)
			}
		}
		n := len(p.Frame)
		for _, block := range p.Blocks {
			n += len(block.Data)
		}
		b.ReportMetric(float64(n)/(6*288), "bytes/sample")
		b.ReportMetric(float64(len(p.Frame)), "frame-bytes")
	})
	b.Run("unpack", func(b *testing.B) {
		for b.Loop() {
			if _, err := p.Unpack(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("block", func(b *testing.B) {
		for b.Loop() {
			if _, err := UnpackBlock(p.Blocks[0].Data, d.From.UnixMicro()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("text", func(b *testing.B) {
		var text []byte
		for b.Loop() {
			text, _ = d.AppendText(text[:0])
		}
		b.SetBytes(int64(len(text)))
	})
	b.Run("parse", func(b *testing.B) {
		text, _ := d.Text()
		for b.Loop() {
			if _, err := ParseDay(text); err != nil {
				b.Fatal(err)
			}
		}
		b.SetBytes(int64(len(text)))
	})
}
