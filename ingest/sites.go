package ingest

import (
	"fmt"
	"sync"
	"time"

	"underkeep/store"
	"underkeep/store/site"
)

// Sites is what checking a message needs to know of the registered properties.
// Its method may be called from several goroutines.
type Sites interface {
	Site(property string) (*Site, bool)
}

// Site is one property as messages are checked against it; immutable.
type Site struct {
	acceptsFrom time.Time
	series      map[string]*series // by <point>/<quantity>
	points      map[string]bool
	gateway     func(name string) bool // nil: any gateway may speak
}

type series struct {
	index    int
	point    string
	quantity site.Quantity
	spec     site.Spec
}

func newSite(acceptsFrom time.Time) *Site {
	return &Site{acceptsFrom: acceptsFrom, series: map[string]*series{}, points: map[string]bool{}}
}

func (s *Site) add(point string, q site.Quantity) {
	name := point + "/" + q.String()
	if _, ok := s.series[name]; ok {
		return
	}
	s.points[point] = true
	s.series[name] = &series{index: len(s.series), point: point, quantity: q, spec: q.Spec()}
}

// storeSites serves Sites from the store's snapshots and works each property
// out once per revision.
type storeSites struct {
	current func() *store.Registry
	cache   sync.Map // property id → *cachedSite
}

type cachedSite struct {
	from *store.Registered
	site *Site
}

// StoreSites serves Sites from the snapshots that current returns
// ((*store.Store).Registry).
func StoreSites(current func() *store.Registry) Sites { return &storeSites{current: current} }

func (s *storeSites) Site(property string) (*Site, bool) {
	reg, ok := s.current().Property(property)
	if !ok {
		s.cache.Delete(property)
		return nil, false
	}
	if v, ok := s.cache.Load(property); ok && v.(*cachedSite).from == reg {
		return v.(*cachedSite).site, true
	}
	c := &cachedSite{from: reg, site: newSite(reg.AcceptsFrom)}
	for _, sr := range reg.AllSeries() {
		if sr.Described && sr.Point != store.StationPoint { // no gateway speaks for the station
			c.site.add(sr.Point, sr.Quantity)
		}
	}
	c.site.gateway = func(name string) bool { _, ok := reg.Gateway(name); return ok }
	s.cache.Store(reg.ID, c)
	return c.site, true
}

// OneSite serves a single property from its descriptions, for work without a
// database. Any gateway may speak for it; points of every description are
// accepted, as late readings may be older than the latest of them.
func OneSite(descriptions ...site.Property) (Sites, error) {
	if len(descriptions) == 0 {
		return nil, fmt.Errorf("no description of a property")
	}
	last := descriptions[len(descriptions)-1]
	loc, err := time.LoadLocation(last.Timezone)
	if err != nil {
		return nil, fmt.Errorf("property %s: time zone %q: %w", last.ID, last.Timezone, err)
	}
	day := last.Installed
	s := newSite(time.Date(day.Year, day.Month, day.Day, 0, 0, 0, 0, loc).UTC())
	for _, d := range descriptions {
		for _, p := range d.Points {
			for _, q := range p.Measures {
				s.add(p.ID, q)
			}
		}
	}
	return oneSite{id: last.ID, site: s}, nil
}

type oneSite struct {
	id   string
	site *Site
}

func (o oneSite) Site(property string) (*Site, bool) { return o.site, property == o.id }
