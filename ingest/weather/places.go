package weather

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Station of the service.
type Station struct {
	ID       string
	Name     string
	Lat, Lon float64
}

// Grid is a cell of the forecast grid: office and cell.
type Grid struct {
	Office string
	X, Y   int
}

// String is the cell as in the service's addresses.
func (g Grid) String() string { return fmt.Sprintf("%s/%d,%d", g.Office, g.X, g.Y) }

// ParseGrid reads what String has written.
func ParseGrid(s string) (Grid, error) {
	office, cell, ok := strings.Cut(s, "/")
	x, y, ok2 := strings.Cut(cell, ",")
	nx, err1 := strconv.Atoi(x)
	ny, err2 := strconv.Atoi(y)
	if !ok || !ok2 || !officeID.MatchString(office) || err1 != nil || err2 != nil || nx < 0 || ny < 0 {
		return Grid{}, fmt.Errorf("%.40q is no cell of the forecast grid", s)
	}
	return Grid{office, nx, ny}, nil
}

var (
	stationID = regexp.MustCompile(`^[A-Z0-9]{2,12}$`)
	officeID  = regexp.MustCompile(`^[A-Z]{3,4}$`)
)

// ParsePoint reads which cell of the grid a location lies in. The addresses in
// the answer are not used: ours are put together from the parts.
func ParsePoint(body []byte) (Grid, error) {
	var doc struct {
		Properties struct {
			GridID string `json:"gridId"`
			X      *int   `json:"gridX"`
			Y      *int   `json:"gridY"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(body, &doc); err != nil {
		return Grid{}, fmt.Errorf("read point: %w", err)
	}
	p := &doc.Properties
	if !officeID.MatchString(p.GridID) || p.X == nil || p.Y == nil || *p.X < 0 || *p.Y < 0 || *p.X > 9999 || *p.Y > 9999 {
		return Grid{}, errors.New("read point: it names no cell of the grid")
	}
	return Grid{p.GridID, *p.X, *p.Y}, nil
}

type stationFeature struct {
	Geometry struct {
		Coordinates []float64 `json:"coordinates"` // lon, lat
	} `json:"geometry"`
	Properties struct {
		ID   string `json:"stationIdentifier"`
		Name string `json:"name"`
	} `json:"properties"`
}

func (f stationFeature) station() (Station, bool) {
	c := f.Geometry.Coordinates
	if !stationID.MatchString(f.Properties.ID) || len(c) < 2 || math.Abs(c[1]) > 90 || math.Abs(c[0]) > 180 {
		return Station{}, false
	}
	name := []rune(f.Properties.Name)
	return Station{ID: f.Properties.ID, Name: string(name[:min(len(name), 120)]), Lat: c[1], Lon: c[0]}, true
}

// ParseStations reads a collection of stations, or a single one. Those without
// identifier or place are left out.
func ParseStations(body []byte) ([]Station, error) {
	var doc struct {
		Type     string           `json:"type"`
		Features []stationFeature `json:"features"`
	}
	if err := json.Unmarshal(body, &doc); err != nil {
		return nil, fmt.Errorf("read stations: %w", err)
	}
	if doc.Type == "Feature" {
		var one stationFeature
		if err := json.Unmarshal(body, &one); err != nil {
			return nil, fmt.Errorf("read station: %w", err)
		}
		doc.Features = []stationFeature{one}
	}
	var out []Station
	for _, f := range doc.Features {
		if s, ok := f.station(); ok {
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("read stations: there is none")
	}
	return out, nil
}

const earthRadiusM = 6_371_008.8 // mean radius of WGS 84, IUGG

// DistanceM along the great circle between two places (haversine formula).
func DistanceM(lat1, lon1, lat2, lon2 float64) float64 {
	const rad = math.Pi / 180
	a := math.Pow(math.Sin((lat2-lat1)*rad/2), 2) + math.Cos(lat1*rad)*math.Cos(lat2*rad)*math.Pow(math.Sin((lon2-lon1)*rad/2), 2)
	return 2 * earthRadiusM * math.Asin(math.Sqrt(min(a, 1)))
}

// Nearest sorts stations by distance and keeps the first n.
func Nearest(stations []Station, lat, lon float64, n int) []Station {
	out := slices.Clone(stations)
	d := func(s Station) float64 { return DistanceM(lat, lon, s.Lat, s.Lon) }
	slices.SortStableFunc(out, func(a, b Station) int {
		switch x, y := d(a), d(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return out[:min(n, len(out))]
}
