package section

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"underkeep/store/site"
)

// mustParse reads the picture with a strict XML reader.
func mustParse(t interface{ Fatalf(string, ...any) }, svg string) {
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
	}
}

var everyKind = []site.Point{
	{ID: "bay", Measures: []site.Quantity{site.RH, site.AirTemp}},
	{ID: "duct", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "duct"},
	{ID: "pipe", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "pipe"},
	{ID: "rim", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "rim"},
	{ID: "wall", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "wall"},
	{ID: "slab", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "slab"},
	{ID: "beam", Measures: []site.Quantity{site.SurfaceTemp}, Surface: "other"},
	{ID: "sill", Measures: []site.Quantity{site.WoodMoisture}},
	{ID: "sump", Measures: []site.Quantity{site.PumpRun, site.WaterLevel}},
	{ID: "heater-pan", Measures: []site.Quantity{site.Leak}},
	{ID: "dryer", Measures: []site.Quantity{site.DehumidifierPower}},
	{ID: "fan", Measures: []site.Quantity{site.FanPower}},
	{ID: "mains", Measures: []site.Quantity{site.Mains}},
	{ID: "gauge", Measures: []site.Quantity{site.Rain}},
	{ID: "outdoors", Measures: []site.Quantity{site.RH}, Outdoors: true},
	{ID: "box", Measures: []site.Quantity{site.Battery}},
}

func scene(points []site.Point) Scene {
	s := Scene{LevelM: 0.2}
	for i, p := range points {
		s.Spots = append(s.Spots, Spot{Point: p, Label: fmt.Sprint(i), Values: []string{"61 %RH", "70.1 °F"}})
	}
	return s
}

// TestEveryKindHasAPlaceOfItsOwn holds that two sensors of different kinds do
// not lie upon each other, and none outside the picture.
func TestEveryKindHasAPlaceOfItsOwn(t *testing.T) {
	t.Parallel()
	placed := scene(everyKind).places()
	if len(placed) != len(everyKind) {
		t.Fatalf("%d of %d points drawn", len(placed), len(everyKind))
	}
	for i, a := range placed {
		if a.x < pictureL+9 || a.x > pictureR-9 || a.y < 9 || a.y > pictureH-9 {
			t.Errorf("%s stands outside at %.0f, %.0f", a.Point.ID, a.x, a.y)
		}
		for _, b := range placed[:i] {
			if dx, dy := a.x-b.x, a.y-b.y; dx*dx+dy*dy < 18*18 {
				t.Errorf("%s and %s lie upon each other", a.Point.ID, b.Point.ID)
			}
		}
	}
}

func TestOnlyWhatWasInstalledIsDrawn(t *testing.T) {
	t.Parallel()
	bare := string(scene(everyKind[:1]).SVG())
	for _, class := range []string{`class="gear"`, `class="basin"`, `class="water"`} {
		if strings.Contains(bare, class) {
			t.Errorf("%s is drawn under a house that has none", class)
		}
	}
	s := scene(everyKind)
	s.Property = site.Property{Dehumidifier: &site.Dehumidifier{}, ExhaustFan: &site.ExhaustFan{},
		Sump: &site.Sump{FloatOnM: 0.3, FloatOffM: 0.15, HighWaterM: 0.4, Discharge: &site.Discharge{CheckValve: true}}}
	full := string(s.SVG())
	for _, want := range []string{`class="basin"`, `class="water"`, ">off<", ">on<", ">high<"} {
		if !strings.Contains(full, want) {
			t.Errorf("%s is missing", want)
		}
	}
}

// TestFloatsStandInOrder holds that what is higher in the basin is higher in
// the picture, whatever the file says of the basin's depth.
func TestFloatsStandInOrder(t *testing.T) {
	t.Parallel()
	s := scene(everyKind)
	s.Property.Sump = &site.Sump{FloatOnM: 0.30, FloatOffM: 0.15, HighWaterM: 0.41, BasinDepthM: 0.3}
	svg := string(s.SVG())
	height := func(name string) (y float64) {
		i := strings.Index(svg, ">"+name+"<")
		if i < 0 {
			t.Fatalf("no float %q", name)
		}
		if _, err := fmt.Sscanf(svg[strings.LastIndex(svg[:i], `y="`):], `y="%f"`, &y); err != nil {
			t.Fatal(err)
		}
		return y
	}
	if !(height("off") > height("on") && height("on") > height("high")) {
		t.Errorf("off at %g, on at %g, high at %g", height("off"), height("on"), height("high"))
	}
}

// TestAnySceneDraws is for crowds, odd names and the order of the points.
func TestAnySceneDraws(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		points := rapid.SliceOfN(rapid.SampledFrom(everyKind), 0, 40).Draw(t, "points")
		s := scene(points)
		s.Property.Name = rapid.SampledFrom([]string{"7 Heron Lane", `<script>&"`, "海辺"}).Draw(t, "name")
		for i := range s.Spots {
			s.Spots[i].Old, s.Spots[i].Wrong = rapid.Bool().Draw(t, "old"), rapid.Bool().Draw(t, "wrong")
		}
		svg := string(s.SVG())
		mustParse(t, svg)
		if n := strings.Count(svg, `class="letter"`); n != len(points) {
			t.Fatalf("%d of %d points drawn", n, len(points))
		}
		if svg != string(s.SVG()) {
			t.Fatal("the same scene gives other bytes")
		}
	})
}
