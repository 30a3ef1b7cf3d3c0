package senml

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The packs of RFC 8428 section 5.1 and what they resolve to. 5.1.3 resolves to
// the pack that section 5.1.4 prints; the others follow from the rules of
// section 4.
var rfcVectors = []struct {
	section, pack string
	want          []Record
}{
	{"5.1.1", `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
		[]Record{num("urn:dev:ow:10e2073a01080063", "Cel", 23.1, 0)}},
	{"5.1.2 first", `[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
     {"n":"current","u":"A","v":1.2}
   ]`, []Record{
		num("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, 0),
		num("urn:dev:ow:10e2073a01080063:current", "A", 1.2, 0)}},
	{"5.1.2 second", `[
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","t":-3,"v":1.4},
     {"n":"current","t":-2,"v":1.5},
     {"n":"current","t":-1,"v":1.6},
     {"n":"current","v":1.7}
   ]`, version(5,
		num("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1276020076.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1276020071.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.3, 1276020072.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.4, 1276020073.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.5, 1276020074.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.6, 1276020075.001),
		num("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1276020076.001))},
	{"5.1.3", `[
     {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
      "bu":"%RH","v":20},
     {"u":"lon","v":24.30621},
     {"u":"lat","v":60.07965},
     {"t":60,"v":20.3},
     {"u":"lon","t":60,"v":24.30622},
     {"u":"lat","t":60,"v":60.07965},
     {"t":120,"v":20.7},
     {"u":"lon","t":120,"v":24.30623},
     {"u":"lat","t":120,"v":60.07966},
     {"u":"%EL","t":150,"v":98},
     {"t":180,"v":21.2},
     {"u":"lon","t":180,"v":24.30628},
     {"u":"lat","t":180,"v":60.07967}
   ]`, resolved514},
	{"5.1.4", `[
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
   ]`, resolved514},
	{"5.1.5", `[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
     {"n":"label","vs":"Machine Room"},
     {"n":"open","vb":false},
     {"n":"nfv-reader","vd":"aGkgCg"}
   ]`, []Record{
		num("urn:dev:ow:10e2073a01080063:temp", "Cel", 23.1, 0),
		{Name: "urn:dev:ow:10e2073a01080063:label", Kind: KindString, Text: "Machine Room", Version: 10},
		{Name: "urn:dev:ow:10e2073a01080063:open", Kind: KindBool, Version: 10},
		{Name: "urn:dev:ow:10e2073a01080063:nfv-reader", Kind: KindData, Text: "hi \n", Version: 10}}},
	{"5.1.6", `[
     {"bn":"2001:db8::2/","bt":1.320078429e+09,
      "n":"temperature","u":"Cel","v":25.2},
     {"n":"humidity","u":"%RH","v":30},
     {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
     {"n":"humidity","u":"%RH","v":67}
   ]`, []Record{
		num("2001:db8::2/temperature", "Cel", 25.2, 1320078429),
		num("2001:db8::2/humidity", "%RH", 30, 1320078429),
		num("2001:db8::1/temperature", "Cel", 12.3, 1320078429),
		num("2001:db8::1/humidity", "%RH", 67, 1320078429)}},
	{"5.1.7", `[
     {"bn":"urn:dev:ow:10e2073a01080063:"},
     {"n":"temp","u":"Cel","v":23.1},
     {"n":"heat","u":"/","v":1},
     {"n":"fan","u":"/","v":0}
   ]`, []Record{
		num("urn:dev:ow:10e2073a01080063:temp", "Cel", 23.1, 0),
		num("urn:dev:ow:10e2073a01080063:heat", "/", 1, 0),
		num("urn:dev:ow:10e2073a01080063:fan", "/", 0, 0)}},
}

const mobile = "urn:dev:ow:10e2073a01080063"

var resolved514 = []Record{
	num(mobile, "%RH", 20, 1320067464), num(mobile, "lon", 24.30621, 1320067464), num(mobile, "lat", 60.07965, 1320067464),
	num(mobile, "%RH", 20.3, 1320067524), num(mobile, "lon", 24.30622, 1320067524), num(mobile, "lat", 60.07965, 1320067524),
	num(mobile, "%RH", 20.7, 1320067584), num(mobile, "lon", 24.30623, 1320067584), num(mobile, "lat", 60.07966, 1320067584),
	num(mobile, "%EL", 98, 1320067614),
	num(mobile, "%RH", 21.2, 1320067644), num(mobile, "lon", 24.30628, 1320067644), num(mobile, "lat", 60.07967, 1320067644),
}

func num(name, unit string, v, t float64) Record {
	return Record{Name: name, Unit: unit, Kind: KindNumber, Value: v, Time: t, Version: Version}
}

func version(v uint8, rs ...Record) []Record {
	for i := range rs {
		rs[i].Version = v
	}
	return rs
}

func TestRFCExamplesResolveAsTheRFCSays(t *testing.T) {
	t.Parallel()
	for _, v := range rfcVectors {
		t.Run(v.section, func(t *testing.T) {
			t.Parallel()
			got, err := Decode([]byte(v.pack), Limits{})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(v.want, got); diff != "" {
				t.Errorf("resolved records (-want +got):\n%s", diff)
			}
			if general := viaGeneral(t, v.pack); !cmp.Equal(v.want, general) {
				t.Errorf("general decoder: %s", cmp.Diff(v.want, general))
			}
		})
	}
}

func viaGeneral(t *testing.T, pack string) []Record {
	t.Helper()
	var d Decoder
	d.limits = d.limits.withDefaults()
	d.reset()
	if err := d.general([]byte(pack)); err != nil {
		t.Fatalf("general decoder: %v", err)
	}
	return d.records
}

// RFC 8428 section 5.1.2 says in words which times its second pack means.
func TestRFCTimesInWords(t *testing.T) {
	t.Parallel()
	rs := viaGeneral(t, rfcVectors[2].pack)
	at, relative, ok := rs[0].At(time.Time{})
	want := time.Date(2010, 6, 8, 18, 1, 16, 1_000_000, time.UTC)
	if !ok || relative || !at.Equal(want) {
		t.Errorf("voltage at %v (relative %v, ok %v), want %v", at, relative, ok, want)
	}
	at, _, _ = rs[1].At(time.Time{})
	if want := want.Add(-5 * time.Second); !at.Equal(want) {
		t.Errorf("first current at %v, want %v", at, want)
	}
}

// The boundary is given in section 4.5.3: 2**28, in mid-1978.
func TestRelativeTimesEndAtTwoToThe28(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 6, 1, 12, 0, 0, 123456789, time.UTC)
	for _, c := range []struct {
		seconds  float64
		want     time.Time
		relative bool
	}{
		{0, now.Truncate(time.Microsecond), true},
		{-5, now.Add(-5 * time.Second).Truncate(time.Microsecond), true},
		{1.5, now.Add(1500 * time.Millisecond).Truncate(time.Microsecond), true},
		{-0.25, now.Add(-250 * time.Millisecond).Truncate(time.Microsecond), true},
		{1<<28 - 1, now.Add((1<<28 - 1) * time.Second).Truncate(time.Microsecond), true},
		{1 << 28, time.Date(1978, 7, 4, 21, 24, 16, 0, time.UTC), false},
		{1780315200.123456, time.Date(2026, 6, 1, 12, 0, 0, 123456000, time.UTC), false},
	} {
		at, relative, ok := (&Record{Time: c.seconds}).At(now)
		if !ok || relative != c.relative || !at.Equal(c.want) {
			t.Errorf("%v s: %v, relative %v, ok %v; want %v, %v", c.seconds, at, relative, ok, c.want, c.relative)
		}
	}
	for _, beyond := range []float64{1e308, -1e308, 253402300800, -1e12} {
		if at, _, ok := (&Record{Time: beyond}).At(now); ok || !at.IsZero() {
			t.Errorf("%v s resolved to %v", beyond, at)
		}
	}
}
