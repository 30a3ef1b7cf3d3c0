package senml

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestPacksThatAreErrors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		what, pack string
		want       error
	}{
		{"empty", ``, ErrSyntax},
		{"white space", " \n", ErrSyntax},
		{"not JSON", `hello`, ErrSyntax},
		{"no array", `{"n":"a","v":1}`, ErrSyntax},
		{"no records", `[]`, ErrSyntax},
		{"record is a number", `[1]`, ErrSyntax},
		{"record is an array", `[[]]`, ErrSyntax},
		{"record is null", `[null]`, ErrSyntax},
		{"cut off", `[{"n":"a","v":1`, ErrSyntax},
		{"cut off after a record", `[{"n":"a","v":1}`, ErrSyntax},
		{"comma at the end", `[{"n":"a","v":1},]`, ErrSyntax},
		{"no comma", `[{"n":"a","v":1}{"n":"b","v":1}]`, ErrSyntax},
		{"something behind", `[{"n":"a","v":1}]x`, ErrSyntax},
		{"second pack behind", `[{"n":"a","v":1}][]`, ErrSyntax},
		{"byte order mark", "\ufeff" + `[{"n":"a","v":1}]`, ErrSyntax},
		{"invalid UTF-8", "[{\"n\":\"a\",\"vs\":\"\xff\"}]", ErrSyntax},
		{"invalid UTF-8 in an unknown label", "[{\"n\":\"a\",\"v\":1,\"\xc3\":1}]", ErrSyntax},
		{"half a surrogate pair", `[{"n":"a","vs":"\ud800"}]`, ErrSyntax},
		{"repeated label", `[{"n":"a","v":1,"v":2}]`, ErrSyntax},
		{"repeated label, escaped", `[{"n":"a","v":1,"\u0076":2}]`, ErrSyntax},
		{"repeated unknown label", `[{"n":"a","v":1,"x":2,"x":2}]`, ErrSyntax},
		{"NaN", `[{"n":"a","v":NaN}]`, ErrSyntax},
		{"Infinity", `[{"n":"a","v":-Infinity}]`, ErrSyntax},
		{"leading zero", `[{"n":"a","v":01}]`, ErrSyntax},
		{"plus sign", `[{"n":"a","v":+1}]`, ErrSyntax},
		{"bare point", `[{"n":"a","v":1.}]`, ErrSyntax},
		{"no digits before the point", `[{"n":"a","v":.5}]`, ErrSyntax},
		{"empty exponent", `[{"n":"a","v":1e}]`, ErrSyntax},
		{"hexadecimal", `[{"n":"a","v":0x10}]`, ErrSyntax},
		{"bare minus", `[{"n":"a","v":-}]`, ErrSyntax},
		{"control character", "[{\"n\":\"a\",\"vs\":\"\x01\"}]", ErrSyntax},
		{"base name of the wrong type", `[{"bn":1,"n":"a","v":1}]`, ErrSyntax},
		{"base time of the wrong type", `[{"bt":"1780315200","n":"a","v":1}]`, ErrSyntax},
		{"base time null", `[{"bt":null,"n":"a","v":1}]`, ErrSyntax},
		{"base value beyond a double", `[{"bv":1e400,"n":"a","v":1}]`, ErrSyntax},
		{"version 11", `[{"bver":11,"n":"a","v":1}]`, ErrVersion},
		{"version 1e300", `[{"bver":1e300,"n":"a","v":1}]`, ErrVersion},
		{"version 0", `[{"bver":0,"n":"a","v":1}]`, ErrSyntax},
		{"version 9.5", `[{"bver":9.5,"n":"a","v":1}]`, ErrSyntax},
		{"versions differ", `[{"bver":5,"n":"a","v":1},{"bver":6,"n":"a","v":1}]`, ErrSyntax},
		{"version late", `[{"n":"a","v":1},{"bver":5,"n":"a","v":1}]`, ErrSyntax},
		{"must understand", `[{"n":"a","v":1,"new_":1}]`, ErrMustUnderstand},
		{"must understand, in the second record", `[{"n":"a","v":1},{"n":"a","v":1,"_":{}}]`, ErrMustUnderstand},
		{"must understand, escaped", `[{"n":"a","v":1,"new\u005f":1}]`, ErrMustUnderstand},
		{"deep array", `[{"n":"a","v":1,"x":` + strings.Repeat("[", 17) + strings.Repeat("]", 17) + `}]`, ErrSyntax},
		{"very deep, not closed", `[{"n":"a","v":1,"x":` + strings.Repeat(`{"y":[`, 100_000), ErrSyntax},
		{"deep where a value is meant", `[{"n":"a","v":` + strings.Repeat("[", 1000) + `}]`, ErrSyntax},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			rs, err := Decode([]byte(c.pack), Limits{})
			if !errors.Is(err, c.want) {
				t.Errorf("got %+v, %v, want %v", rs, err, c.want)
			}
			if err != nil && len(err.Error()) > 400 {
				t.Errorf("message of %d bytes", len(err.Error()))
			}
		})
	}
}

func TestWhatSpoilsOneRecordOnly(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		what, record string
		want         Problem
	}{
		{"fine", `"n":"a/b.c-d:e_f","v":1`, OK},
		{"no name", `"v":1`, BadName},
		{"name starts with a dash", `"n":"-a","v":1`, BadName},
		{"space in the name", `"n":"a b","v":1`, BadName},
		{"letter outside ASCII", `"n":"kälte","v":1`, BadName},
		{"empty record", ``, NoValue},
		{"no value", `"n":"a"`, NoValue},
		{"value and Boolean", `"n":"a","v":1,"vb":true`, ManyValues},
		{"string and data", `"n":"a","vs":"","vd":""`, ManyValues},
		{"number as a string", `"n":"a","v":"1"`, WrongType},
		{"value null", `"n":"a","v":null`, WrongType},
		{"Boolean as a number", `"n":"a","vb":1`, WrongType},
		{"name is a number", `"n":1,"v":1`, WrongType},
		{"value is an object", `"n":"a","v":{"x":[1,2,{"y":3}]}`, WrongType},
		{"time is true", `"n":"a","v":1,"t":true`, WrongType},
		{"beyond a double", `"n":"a","v":1e309`, NotFinite},
		{"minus beyond a double", `"n":"a","v":-1e400`, NotFinite},
		{"time beyond a double", `"n":"a","v":1,"t":1e309`, NotFinite},
		{"largest double", `"n":"a","v":1.7976931348623157e308`, OK},
		{"1e308", `"n":"a","v":-1e308`, OK},
		{"too small for a double", `"n":"a","v":1e-400`, OK},
		{"padded base64", `"n":"a","vd":"aGk="`, BadData},
		{"standard alphabet", `"n":"a","vd":"+/+/"`, BadData},
		{"line break in base64", `"n":"a","vd":"aG\nkg"`, BadData},
		{"trailing bits", `"n":"a","vd":"aGl"`, BadData},
		{"sum without value", `"n":"a","s":12.5`, OK},
		{"unknown labels", `"n":"a","v":1,"x":[{"n":2}],"link":"y","l_b":null`, OK},
		{"label of other case", `"n":"a","V":1`, NoValue},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			rs, err := Decode([]byte(`[{"n":"before","v":1},{`+c.record+`},{"n":"behind","v":1}]`), Limits{})
			if err != nil || len(rs) != 3 {
				t.Fatalf("%+v, %v", rs, err)
			}
			if rs[1].Problem != c.want || rs[0].Problem != OK || rs[2].Problem != OK {
				t.Errorf("problems %v, %v, %v; want %v between", rs[0].Problem, rs[1].Problem, rs[2].Problem, c.want)
			}
		})
	}
}

// RFC 8428 section 4.1: bases are added to value, sum and time, and hold until
// they are given again; section 4.5.3: a missing time is zero.
func TestBaseFields(t *testing.T) {
	t.Parallel()
	rs, err := Decode([]byte(`[
		{"bn":"a/","bt":100,"bu":"W","bv":10,"bs":1000,"n":"x","v":0.5,"s":1,"t":1,"ut":60},
		{"n":"y","v":-20,"u":""},
		{"bv":0,"bn":"","n":"z","v":1},
		{"bt":-7,"n":"z","vb":true},
		{"bs":5},
		{"n":"z"}]`), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Record{
		{Name: "a/x", Unit: "W", Kind: KindNumber, Value: 10.5, HasSum: true, Sum: 1001, Time: 101, UpdateTime: 60, Version: 10},
		{Name: "a/y", Unit: "", Kind: KindNumber, Value: -10, HasSum: true, Sum: 1000, Time: 100, Version: 10},
		{Name: "z", Unit: "W", Kind: KindNumber, Value: 1, HasSum: true, Sum: 1000, Time: 100, Version: 10},
		{Name: "z", Unit: "W", Kind: KindBool, Bool: true, HasSum: true, Sum: 1000, Time: -7, Version: 10},
		{Name: "z", Unit: "W", Kind: KindNone, HasSum: true, Sum: 5, Time: -7, Version: 10},
	}
	if diff := cmp.Diff(want, rs); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestLimits(t *testing.T) {
	t.Parallel()
	pack := []byte("[" + strings.Repeat(`{"n":"a","v":1},`, 99) + `{"n":"a","v":1}]`)
	for _, c := range []struct {
		limits Limits
		want   error
	}{
		{Limits{}, nil},
		{Limits{Bytes: len(pack), Records: 100}, nil},
		{Limits{Bytes: len(pack) - 1}, ErrTooLarge},
		{Limits{Records: 99}, ErrTooManyRecords},
	} {
		if _, err := Decode(pack, c.limits); !errors.Is(err, c.want) {
			t.Errorf("%+v: %v, want %v", c.limits, err, c.want)
		}
	}
	ok := `[{"n":"a","v":1,"x":` + strings.Repeat("[", 16) + strings.Repeat("]", 16) + `}]`
	if _, err := Decode([]byte(ok), Limits{}); err != nil {
		t.Errorf("16 levels: %v", err)
	}
	if _, err := Decode(make([]byte, 10<<20), Limits{}); !errors.Is(err, ErrTooLarge) {
		t.Errorf("10 MB: %v", err)
	}
	million := []byte("[" + strings.Repeat(`{"v":1},`, 999_999) + `{"v":1}]`)
	if _, err := Decode(million, Limits{Bytes: 1 << 30}); !errors.Is(err, ErrTooManyRecords) {
		t.Errorf("a million records: %v", err)
	}
}

// A decoder is used again: nothing of one pack may show in the next.
func TestADecoderForgets(t *testing.T) {
	t.Parallel()
	d := NewDecoder(Limits{})
	if _, err := d.Decode([]byte(`[{"bn":"a/","bt":100,"bu":"W","bv":1,"bs":1,"bver":5,"n":"x","v":1}]`)); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Decode([]byte(`[{"n":"x","v":`)); err == nil {
		t.Fatal("error expected")
	}
	rs, err := d.Decode([]byte(`[{"n":"x","v":1}]`))
	if err != nil || !cmp.Equal(rs, []Record{num("x", "", 1, 0)}) {
		t.Errorf("%+v, %v", rs, err)
	}
}

// The fast decoder must really take the shape that it is there for.
func TestFastTakesWhatGatewaysSend(t *testing.T) {
	t.Parallel()
	for _, pack := range []string{
		string(benchPack(1)), string(benchPack(100)),
		`[{"n":"north-bay/rh","u":"%RH","v":61.5,"t":1780315200.25}]`,
		` [ { "bn" : "all/" , "bt" : 1.780315200e+09 , "n" : "leak" , "vb" : false } , { "n" : "mains", "vb": true, "t": -1.5E1 } ] ` + "\r\n\t",
	} {
		var d Decoder
		d.limits = d.limits.withDefaults()
		d.reset()
		if !d.fast([]byte(pack)) {
			t.Errorf("left to the general decoder: %s", pack)
		}
	}
}

// Every number that JSON can write is read as strconv, which rounds correctly,
// reads it.
func TestNumbersAgainstStrconv(t *testing.T) {
	t.Parallel()
	for _, s := range []string{
		"0", "-0", "0.0", "1", "9007199254740991", "9007199254740992", "9007199254740993", "1780315200.123456",
		"1e22", "1e23", "-1e-22", "1e-23", "123456789012345678901234567890", "0.1", "0.3", "2.2250738585072014e-308",
		"4.9e-324", "1.7976931348623157e308", "8.5e-1", "5E+3", "18446744073709551616", "9999999999999999999",
		"0.000000000000000000000000000001", "100000000000000000000000",
	} {
		checkNumber(t, s)
	}
	rapid.Check(t, func(t *rapid.T) {
		checkNumber(t, rapid.StringMatching(`-?(0|[1-9][0-9]{0,24})(\.[0-9]{1,24})?([eE][+-]?[0-9]{1,3})?`).Draw(t, "number"))
	})
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Draw(t, "double")
		checkNumber(t, strconv.FormatFloat(v, 'g', -1, 64))
		checkNumber(t, strconv.FormatFloat(math.Mod(v, 1e9), 'f', -1, 64))
	})
}

func checkNumber(t interface{ Fatalf(string, ...any) }, s string) {
	want, err := strconv.ParseFloat(s, 64)
	got, end := scanNumber([]byte(s), 0)
	if err != nil || math.IsInf(want, 0) || math.IsNaN(want) {
		if end >= 0 {
			t.Fatalf("%s: %v, want none", s, got)
		}
		return
	}
	// Exponents of five digits are left to the general decoder.
	if end >= 0 && (end != len(s) || math.Float64bits(got) != math.Float64bits(want)) {
		t.Fatalf("%s: %v (%d bytes), want %v", s, got, end, want)
	}
	if end < 0 {
		t.Fatalf("%s: not read", s)
	}
}

// Times written with microseconds come back to the microsecond.
func TestTimesAreExactToTheMicrosecond(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := time.UnixMicro(rapid.Int64Range(268435456e6, 4102444800e6).Draw(t, "µs")).UTC()
		base := rapid.SampledFrom([]int64{0, 1, 60, 86400, want.Unix() / 3600 * 3600}).Draw(t, "base")
		rest := want.Add(-time.Duration(base) * time.Second)
		pack := fmt.Sprintf(`[{"bn":"a","bt":%d,"v":1,"t":%d.%06d}]`, base, rest.Unix(), rest.Nanosecond()/1000)
		rs, err := Decode([]byte(pack), Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if at, relative, ok := rs[0].At(time.Time{}); !ok || relative || !at.Equal(want) {
			t.Fatalf("%s: %v, want %v", pack, at, want)
		}
	})
}

// FuzzDecode holds the fast decoder against the general one: whatever the fast
// one takes, the general one takes too, and reads the same.
func FuzzDecode(f *testing.F) {
	for _, v := range rfcVectors {
		f.Add([]byte(v.pack))
	}
	f.Add(benchPack(3))
	for _, s := range []string{
		`[{"n":"a","v":1,"v":2}]`, `[{"n":"a","vb":true},{"n":"b","vs":"x y"}]`, `[{"bver":11}]`, `[{"n":"\u0061","v":1}]`,
		`[{"n":"a","v":-0.0e-0,"ut":5,"s":1e22}]`, `[{"bs":1,"bv":1e308,"n":"a","v":1e308}]`, `[{}]`, `[{"v":1e9999}]`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		limits := Limits{Records: 1000}
		var fast, general Decoder
		fast.limits, general.limits = limits.withDefaults(), limits.withDefaults()
		fast.reset()
		general.reset()
		err := general.general(payload)
		if fast.fast(payload) {
			if err != nil {
				t.Fatalf("fast takes what general refuses: %v", err)
			}
			// cmp on floats: records hold no NaN unless marked, so bits decide.
			if a, b := fmt.Sprintf("%#v", fast.records), fmt.Sprintf("%#v", general.records); a != b {
				t.Fatalf("fast    %s\ngeneral %s", a, b)
			}
		}
		if err != nil {
			return
		}
		for _, r := range general.records {
			if r.Problem == OK && (!validName(r.Name) || !finite(r.Value) || !finite(r.Time) || r.Version < 1 || r.Version > Version) {
				t.Fatalf("record %#v", r)
			}
			r.At(time.Time{})
		}
	})
}

// benchPack is the shape that gateways send: n records of 5-minute readings.
func benchPack(n int) []byte {
	if n == 1 {
		return []byte(`[{"n":"north-bay/rh","u":"%RH","v":61.5,"t":1780315200.25}]`)
	}
	b := []byte(`[{"bn":"north-bay/","bt":1780315200,`)
	for i := range n {
		if i > 0 {
			b = append(b, `,{`...)
		}
		if i%2 == 0 {
			b = fmt.Appendf(b, `"n":"rh","u":"%%RH","v":%.1f,"t":%d}`, 50+float64(i)/10, 300*i)
		} else {
			b = fmt.Appendf(b, `"n":"air-temp","u":"Cel","v":%.2f,"t":%d}`, 18+float64(i)/100, 300*i)
		}
	}
	return append(b, ']')
}

func BenchmarkDecode(b *testing.B) {
	for _, n := range []int{1, 12, 100} {
		pack := benchPack(n)
		for name, decode := range map[string]func(*Decoder) bool{
			"fast":    func(d *Decoder) bool { rs, err := d.Decode(pack); return err == nil && len(rs) == n },
			"general": func(d *Decoder) bool { d.reset(); return d.general(pack) == nil && len(d.records) == n },
		} {
			b.Run(fmt.Sprintf("%s/%d", name, n), func(b *testing.B) {
				d := NewDecoder(Limits{}.withDefaults())
				b.ReportAllocs()
				for b.Loop() {
					if !decode(d) {
						b.Fatal("not decoded")
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/record")
			})
		}
	}
}
