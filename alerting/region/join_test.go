package region

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// island is n houses along 100 km of coast, in villages of forty on 1 km.
func island(n int) []Place {
	places := make([]Place, n)
	for i := range places {
		village, house := i/40, i%40
		places[i] = Place{Located: true, Lat: 34 + 0.1*float64(village) + 0.0002*float64(house), Lon: -77.9, Zone: "America/New_York"}
	}
	return places
}

func out(house int, f Family, after time.Duration) CallOut {
	return CallOut{House: house, ID: fmt.Sprint(house, f, after), Family: f, Mains: f == Outage, At: noon.Add(after)}
}

var oncePerYear = map[Family]float64{Outage: 1.0 / 8766, Water: 1.0 / 8766, Frost: 1.0 / 8766}

// A street without power is one event; two houses far apart, or two next door,
// are two houses; so are forty all over the fleet in the course of a year.
func TestWhatIsJoined(t *testing.T) {
	t.Parallel()
	var street, storm, year []CallOut
	for h := range 38 {
		street = append(street, out(h, Outage, time.Duration(h)*10*time.Second))
	}
	for h := range 400 {
		if h%3 == 0 {
			c := out(h, Water, time.Duration(h)*time.Minute/2)
			c.Rain = h%2 == 0
			storm = append(storm, c)
		}
	}
	for h := range 40 {
		year = append(year, out(h*25, Outage, time.Duration(h)*9*24*time.Hour))
	}
	for _, c := range []struct {
		name     string
		callOuts []CallOut
		events   int
		kind     Kind
		houses   int
	}{
		{"a street", street, 1, MainsLost, 38},
		{"three on a street within minutes", street[:3], 1, MainsLost, 3},
		{"two next door", street[:2], 0, "", 0},
		{"a storm along the coast", storm, 1, Storm, 134},
		{"two far apart at once", []CallOut{out(0, Outage, 0), out(900, Outage, 0)}, 0, "", 0},
		{"one, three times", []CallOut{out(0, Outage, 0), out(0, Outage, time.Minute), out(0, Outage, 2*time.Minute)}, 0, "", 0},
		{"a year of a fleet", year, 0, "", 0},
		{"three in a year on one street", []CallOut{out(0, Outage, 0), out(1, Outage, 3000*time.Hour), out(2, Outage, 6000*time.Hour)}, 0, "", 0},
		{"power and water at once", []CallOut{out(0, Outage, 0), out(1, Water, 0), out(2, Frost, 0)}, 0, "", 0},
	} {
		got := Join(NewFleet(island(1000)), c.callOuts, oncePerYear)
		if len(got) != c.events || c.events == 1 && (got[0].Kind != c.kind || got[0].Houses != c.houses) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// A house whose gateway lasts five hours on its battery belongs to the outage
// that still stands; one that fails after it has ended does not.
func TestWhatComesLaterBelongsToWhatStands(t *testing.T) {
	t.Parallel()
	var callOuts []CallOut
	for h := range 8 {
		callOuts = append(callOuts, out(h, Outage, 0))
	}
	callOuts = append(callOuts, out(9, Outage, 5*time.Hour))
	if got := Join(NewFleet(island(1000)), callOuts, oncePerYear); len(got) != 1 || got[0].Houses != 9 {
		t.Errorf("standing: %+v", got)
	}
	for i := range 8 {
		callOuts[i].End = noon.Add(2 * time.Hour)
	}
	got := Join(NewFleet(island(1000)), callOuts, oncePerYear)
	if len(got) != 1 || got[0].Houses != 8 || !got[0].Until.Equal(noon.Add(2*time.Hour)) {
		t.Errorf("ended: %+v", got)
	}
}

// Without coordinates the area stands for the place, without both the coincidence alone.
func TestPlacesThatAreNotKnown(t *testing.T) {
	t.Parallel()
	places := island(1000)
	for i := range places {
		places[i] = Place{Area: fmt.Sprintf("village %d", i/40), Zone: "America/New_York"}
	}
	var callOuts []CallOut
	for h := range 20 {
		callOuts = append(callOuts, out(h, Outage, 0), out(h*40+7, Outage, 100*time.Hour*time.Duration(h)))
	}
	if got := Join(NewFleet(places), callOuts, oncePerYear); len(got) != 1 || got[0].Houses != 20 || got[0].Located != 0 {
		t.Errorf("by area: %+v", got)
	}
	for i := range places {
		places[i].Area = ""
	}
	if got := Join(NewFleet(places), callOuts, oncePerYear); len(got) != 1 || got[0].Houses != 20 {
		t.Errorf("by nothing: %+v", got)
	}
}

// Many gateways silent at once, all over the country: our own network.
func TestTheWholeFleetAtOnce(t *testing.T) {
	t.Parallel()
	places := make([]Place, 300)
	var callOuts []CallOut
	for i := range places {
		places[i] = Place{Located: true, Lat: 30 + float64(i%17), Lon: -120 + float64(i%41), Zone: "America/New_York"}
		if i%3 == 0 {
			c := out(i, Outage, time.Duration(i)*time.Second)
			c.Mains = false
			callOuts = append(callOuts, c)
		}
	}
	got := Join(NewFleet(places), callOuts, oncePerYear)
	if len(got) != 1 || got[0].Kind != GatewaySilent || got[0].Houses != 100 {
		t.Errorf("%+v", got)
	}
}

// The order in which call-outs are handed in changes nothing.
func TestJoinIgnoresOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		places := island(200)
		n := rapid.IntRange(3, 60).Draw(t, "n")
		callOuts := make([]CallOut, n)
		for i := range callOuts {
			f := rapid.SampledFrom(Families()).Draw(t, "family")
			callOuts[i] = out(rapid.IntRange(0, 199).Draw(t, "house"), f, time.Duration(rapid.IntRange(0, 3000).Draw(t, "minute"))*time.Minute)
			callOuts[i].ID = fmt.Sprint(i)
			if rapid.Bool().Draw(t, "over") {
				callOuts[i].End = callOuts[i].At.Add(time.Duration(rapid.IntRange(0, 600).Draw(t, "for")) * time.Minute)
			}
		}
		shuffled := slices.Clone(callOuts)
		rand.New(rand.NewPCG(uint64(n), 1)).Shuffle(n, func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		a, b := named(callOuts, places), named(shuffled, places)
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("in one order %v, in another %v", a, b)
		}
	})
}

func named(callOuts []CallOut, places []Place) (out []string) {
	for _, e := range Join(NewFleet(places), callOuts, oncePerYear) {
		var ids []string
		for _, m := range e.Members {
			ids = append(ids, callOuts[m].ID)
		}
		slices.Sort(ids)
		out = append(out, fmt.Sprint(e.Kind, e.Since, e.Until, e.Houses, e.Why, ids))
	}
	slices.Sort(out)
	return out
}

// Independent call-outs, ten years of a fleet of 1,000 at two a year each: at
// most MostChance of the 20,000 looks may find an event, at each of ten scales.
func TestIndependentCallOutsAreNotJoined(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	usual := map[Family]float64{Outage: 2.0 / 8766, Water: 2.0 / 8766, Frost: 2.0 / 8766}
	for _, f := range Families() {
		var callOuts []CallOut
		for i := range 20000 {
			c := out(r.IntN(1000), f, time.Duration(r.Float64()*10*8766*float64(time.Hour)))
			c.ID, c.End = fmt.Sprint(i), c.At.Add(3*time.Hour)
			callOuts = append(callOuts, c)
		}
		if got := Join(NewFleet(island(1000)), callOuts, usual); len(got) > 2 {
			t.Errorf("%s: %d events by chance, want at most 20000 × 1e-5 × 10 = 2", f, len(got))
		}
	}
}

// Upper tails of the binomial distribution, from the exact sum in rational
// arithmetic (Python fractions: sum of C(n,i) p^i (1-p)^(n-i)).
func TestBinomialTail(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		k, n int
		p    float64
		want float64
	}{
		{0, 10, 0.3, 1}, {1, 10, 0.5, 0.9990234375}, {5, 10, 0.5, 0.623046875}, {10, 10, 0.5, 0.0009765625},
		{3, 10, 0.1, 0.0701908264}, {8, 10, 0.9, 0.9298091736}, {2, 5, 0, 0}, {6, 5, 0.5, 0}, {2, 5, 1, 1},
	} {
		if got := AtLeast(c.k, c.n, c.p); math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("P(X ≥ %d), n %d, p %g: %.12g, want %.12g", c.k, c.n, c.p, got, c.want)
		}
	}
}

// A storm over forty houses among quiet spans leaves the usual rate near what
// it was: Poisson arrivals at 2 a house and year give 2, with and without it.
func TestUsualRateIsNotMovedByAStorm(t *testing.T) {
	t.Parallel()
	const houses, spans, hours = 3000, 12960, 1.0 / 6
	r := rand.New(rand.NewPCG(3, 4))
	busy := 0
	for range spans {
		if r.Float64() < -math.Expm1(-2.0/8766*hours*houses) {
			busy++
		}
	}
	quiet := Usual(busy, spans, hours, houses) * 8766
	stormy := Usual(busy+36, spans, hours, houses) * 8766
	if quiet < 1.8 || quiet > 2.2 || stormy > 1.05*quiet {
		t.Errorf("usual rate %.2f a year, %.2f with six hours of storm", quiet, stormy)
	}
	if young := Usual(0, 1, hours, 10) * 8766; young < 0.9 || young > 1.1 {
		t.Errorf("without experience %.2f a year, want the prior of 1", young)
	}
}

func BenchmarkJoin(b *testing.B) {
	for _, n := range []int{40, 1000, 10000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			places := island(10000)
			r := rand.New(rand.NewPCG(5, 6))
			var callOuts []CallOut
			for i := range n {
				c := out(r.IntN(10000), Outage, time.Duration(r.Float64()*float64(time.Hour)))
				c.ID = fmt.Sprint(i)
				callOuts = append(callOuts, c)
			}
			f := NewFleet(places)
			for b.Loop() {
				Join(f, callOuts, oncePerYear)
			}
		})
	}
}
