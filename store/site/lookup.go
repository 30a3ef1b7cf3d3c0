package site

import (
	"sync"
	"time"
)

// Point finds a point by its id.
func (p *Property) Point(id string) (*Point, bool) {
	for i := range p.Points {
		if p.Points[i].ID == id {
			return &p.Points[i], true
		}
	}
	return nil, false
}

// Has reports whether the point measures q.
func (pt *Point) Has(q Quantity) bool { return measures(pt.Measures, q) }

var zones sync.Map // IANA name to *time.Location

// Zone is the property's time zone; UTC when its name is none, which
// [ParseProperty] refuses.
func (p *Property) Zone() *time.Location {
	if z, ok := zones.Load(p.Timezone); ok {
		return z.(*time.Location)
	}
	loc, err := time.LoadLocation(p.Timezone)
	if err != nil {
		return time.UTC
	}
	zones.Store(p.Timezone, loc)
	return loc
}
