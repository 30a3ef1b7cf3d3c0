package region

import "math"

const earthKm = 6371.0088 // mean radius, IUGG

// Place is where a house stands, as far as it is known.
type Place struct {
	Located  bool
	Lat, Lon float64 // degrees, WGS 84
	Area     string  // "" unknown
	Zone     string  // the coarsest: its time zone
}

// Fleet knows where houses stand. It remembers what it has counted and is for
// one goroutine at a time.
type Fleet struct {
	places []Place
	at     []vector
	groups []group // by house
	size   []int   // of each group; [0] is none
	near   map[nearKey][]int
}

type vector [3]float64

// group of houses that count as near each other for want of a distance; 0 for none.
type group struct{ area, zone int32 }

type nearKey struct {
	house  int
	family Family
}

// NewFleet of the houses at these places.
func NewFleet(places []Place) *Fleet {
	f := &Fleet{places: places, at: make([]vector, len(places)), groups: make([]group, len(places)),
		size: make([]int, 1), near: map[nearKey][]int{}}
	numbers := map[string]int32{}
	number := func(name string) int32 {
		n, ok := numbers[name]
		if !ok {
			n = int32(len(f.size))
			numbers[name] = n
			f.size = append(f.size, 0)
		}
		f.size[n]++
		return n
	}
	for i, p := range places {
		if p.Located {
			f.at[i] = toVector(p.Lat, p.Lon)
		}
		switch {
		case p.Area != "":
			f.groups[i].area = number("area " + p.Area)
		case !p.Located:
			f.groups[i].zone = number("zone " + p.Zone)
		}
	}
	return f
}

// Houses in the fleet.
func (f *Fleet) Houses() int { return len(f.places) }

func toVector(lat, lon float64) vector {
	φ, λ := lat*math.Pi/180, lon*math.Pi/180
	return vector{math.Cos(φ) * math.Cos(λ), math.Cos(φ) * math.Sin(λ), math.Sin(φ)}
}

func (v vector) dot(w vector) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

// kmBetween along the great circle; the chord is exact for near places.
func kmBetween(v, w vector) float64 {
	dx, dy, dz := v[0]-w[0], v[1]-w[1], v[2]-w[2]
	return 2 * earthKm * math.Asin(min(1, math.Sqrt(dx*dx+dy*dy+dz*dz)/2))
}

// chord2 is the square of the chord that spans km, on the unit sphere.
func chord2(km float64) float64 {
	c := 2 * math.Sin(km/earthKm/2)
	return c * c
}

func (v *vector) chord2(w *vector) float64 {
	dx, dy, dz := v[0]-w[0], v[1]-w[1], v[2]-w[2]
	return dx*dx + dy*dy + dz*dz
}

// within counts the houses within each radius of a family of a located house,
// itself included.
func (f *Fleet) within(house int, family Family, chords []float64) []int {
	key := nearKey{house, family}
	if n, ok := f.near[key]; ok {
		return n
	}
	n, v := make([]int, len(chords)), &f.at[house]
	for j := range f.at {
		if !f.places[j].Located {
			continue
		}
		d := v.chord2(&f.at[j])
		for r := len(chords) - 1; r >= 0 && d <= chords[r]; r-- {
			n[r]++
		}
	}
	f.near[key] = n
	return n
}

// middle of some houses: mean place, distance of the farthest, how many of
// them are located.
func (f *Fleet) middle(houses []int) (lat, lon, radiusKm float64, located int) {
	var sum vector
	for _, h := range houses {
		if f.places[h].Located {
			located++
			for k := range sum {
				sum[k] += f.at[h][k]
			}
		}
	}
	length := math.Sqrt(sum.dot(sum))
	if located == 0 || length < 1e-9 {
		return 0, 0, 0, 0
	}
	for k := range sum {
		sum[k] /= length
	}
	for _, h := range houses {
		if f.places[h].Located {
			radiusKm = max(radiusKm, kmBetween(sum, f.at[h]))
		}
	}
	return math.Asin(sum[2]) * 180 / math.Pi, math.Atan2(sum[1], sum[0]) * 180 / math.Pi, radiusKm, located
}
