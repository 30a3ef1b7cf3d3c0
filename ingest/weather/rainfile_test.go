package weather

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// 0.1 in is 2.54 mm exactly (NIST SP 811).
func TestReadRain(t *testing.T) {
	t.Parallel()
	file := "# gauge of a neighbour\n\ufefftime,note,depth [in]\n2026-03-02T10:00:00-05:00,,0.1\n\n2026-03-02T11:00:00Z,x,\nnoon,x,1\n2026-03-02T12:00:00Z,x,much\n2026-03-02T12:00:00Z,1\n2026-03-02T13:00:00Z,,0\n"
	var good, bad []RainLine
	err := ReadRain(strings.NewReader(file), func(l RainLine) error {
		if l.Err != nil {
			bad = append(bad, l)
		} else {
			good = append(good, l)
		}
		return nil
	})
	if err != nil || len(good) != 2 || len(bad) != 3 {
		t.Fatalf("%v, %v, %v", good, bad, err)
	}
	if g := good[0]; math.Abs(g.MM-2.54) > 1e-12 || g.At.Hour() != 15 || g.Number != 3 || bad[0].Number != 6 || bad[2].Number != 8 {
		t.Errorf("%+v %+v", good, bad)
	}
	for header, unit := range map[string]float64{"time,depth [mm]": 1, "depth_mm,time": 1, "time,depth (cm)": 10, "time,depth m": 1000} {
		row := strings.NewReplacer("depth_mm,time", "2,2026-03-02T12:00:00Z").Replace(header)
		if !strings.HasPrefix(row, "2,") {
			row = "2026-03-02T12:00:00Z,2"
		}
		var mm float64
		if err := ReadRain(strings.NewReader(header+"\n"+row), func(l RainLine) error { mm = l.MM; return l.Err }); err != nil || mm != 2*unit {
			t.Errorf("%s: %g, %v", header, mm, err)
		}
	}
	for _, file := range []string{"", "time,depth\n", "time,rain [mm]\n", "depth [mm]\n", "time,depth [furlong]\n", "time,depth [mm],depth [in]\n", "2026-03-02T12:00:00Z,2\n"} {
		if err := ReadRain(strings.NewReader(file), func(RainLine) error { return errors.New("a line") }); err == nil {
			t.Errorf("%q is taken", file)
		}
	}
}

func FuzzReadRain(f *testing.F) {
	f.Add("time,depth [in]\n2026-03-02T10:00:00-05:00,0.1\n")
	f.Fuzz(func(t *testing.T, file string) {
		_ = ReadRain(strings.NewReader(file), func(l RainLine) error {
			if l.Err == nil && (math.IsNaN(l.MM) || l.At.IsZero() && l.At.Year() != 1) {
				t.Errorf("%+v", l)
			}
			return nil
		})
	})
}
