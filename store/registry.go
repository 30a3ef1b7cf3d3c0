package store

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"sync"
	"time"

	"underkeep/store/site"
)

// Registry is an immutable snapshot of what is registered: which properties,
// what they measure and who may speak for them. Ingest checks messages against
// it without a query. Its methods may be called from several goroutines.
type Registry struct {
	byName map[string]*Registered
	byID   map[int32]*Registered
}

func emptyRegistry() *Registry {
	return &Registry{byName: map[string]*Registered{}, byID: map[int32]*Registered{}}
}

// Property finds a property by its id in files and topics.
func (r *Registry) Property(id string) (*Registered, bool) {
	p, ok := r.byName[id]
	return p, ok
}

// Len is how many properties are registered.
func (r *Registry) Len() int { return len(r.byName) }

// Each calls f for every property, in no order, until f returns false.
func (r *Registry) Each(f func(*Registered) bool) {
	for _, p := range r.byName {
		if !f(p) {
			return
		}
	}
}

// CheckGateway says whether username and password are those of a gateway that
// has not been revoked, and which.
func (r *Registry) CheckGateway(username, password string) (property, gateway string, ok bool) {
	if !r.GatewayStands(username, sha256.Sum256([]byte(password)), time.Now()) {
		return "", "", false
	}
	return ParseGatewayUsername(username)
}

// GatewayStands says whether the password with the hash is good for the user
// name at the time now.
func (r *Registry) GatewayStands(username string, password [32]byte, now time.Time) bool {
	property, gateway, slot, ok := parseSlot(username)
	if !ok {
		return false
	}
	var want gatewaySecret
	if p, found := r.byName[property]; found {
		if g, found := p.gatewayByName[gateway]; found && !p.gateways[g].revoked && !p.gateways[g].source {
			want = p.gateways[g].secrets[slot-1]
		}
	}
	equal := subtle.ConstantTimeCompare(password[:], want.sha256[:]) == 1
	return equal && want.issued && (want.until.IsZero() || now.Before(want.until))
}

// Series is one quantity at one point; its index in Registered.Series is the
// number that readings carry.
type Series struct {
	Point    string
	Quantity site.Quantity
	// Described is false where no version in force has it any more: its old
	// readings stay, new ones are refused.
	Described bool
}

// Registered is one property in a Registry.
type Registered struct {
	ID   string // as in files and topics
	Num  int32  // as in the database
	Zone string // IANA name
	// AcceptsFrom is midnight, in the property's zone, of the day of
	// installation; earlier readings are refused.
	AcceptsFrom time.Time

	revision      int32
	series        []Series
	seriesByKey   map[seriesKey]int16
	points        map[string]bool
	gateways      []registeredGateway
	gatewayByName map[string]int16
	documents     []document

	once     sync.Once
	versions []Version
	err      error
}

type seriesKey struct {
	point    string
	quantity site.Quantity
}

type registeredGateway struct {
	name    string
	revoked bool
	source  bool             // no gateway: the weather service, a file
	secrets [2]gatewaySecret // by slot
}

// gatewaySecret is one password of a gateway.
type gatewaySecret struct {
	issued bool
	sha256 [32]byte
	until  time.Time // zero: until it is revoked
}

type document struct {
	version int32
	text    string
}

// Version is one description of a property with the time from which it holds.
type Version struct {
	Number   int32
	From     time.Time // midnight in the property's zone; zero: from the start
	Document string
	Property site.Property
}

// Series finds the number of a quantity at a point, and whether readings of it
// are accepted.
func (p *Registered) Series(point string, q site.Quantity) (int16, bool) {
	id, ok := p.seriesByKey[seriesKey{point, q}]
	return id, ok
}

// HasPoint says whether any quantity is measured at point.
func (p *Registered) HasPoint(point string) bool { return p.points[point] }

// Gateway finds the number of a gateway; false for one that was never added or
// has been revoked.
func (p *Registered) Gateway(name string) (int16, bool) {
	id, ok := p.gatewayByName[name]
	return id, ok && !p.gateways[id].revoked && !p.gateways[id].source
}

// AllSeries lists every series by its number, former ones included. The caller
// must not change it.
func (p *Registered) AllSeries() []Series { return p.series }

// Gateways lists the names of all gateways by their number, revoked ones
// included.
func (p *Registered) Gateways() []string {
	names := make([]string, len(p.gateways))
	for i, g := range p.gateways {
		names[i] = g.name
	}
	return names
}

// Versions are the descriptions in force, in the order of the time from which
// they hold; never empty without an error. The caller must not change them.
func (p *Registered) Versions() ([]Version, error) {
	p.once.Do(func() { p.versions, p.err = p.parseVersions() })
	return p.versions, p.err
}

// Current is the latest description.
func (p *Registered) Current() (site.Property, error) {
	v, err := p.Versions()
	if err != nil {
		return site.Property{}, err
	}
	return v[len(v)-1].Property, nil
}

func (p *Registered) parseVersions() ([]Version, error) {
	out := make([]Version, 0, len(p.documents))
	for _, d := range p.documents {
		desc, err := site.ParseProperty([]byte(d.text), p.ID)
		if err != nil {
			return nil, fmt.Errorf("property %s, version %d: %w", p.ID, d.version, err)
		}
		v := Version{Number: d.version, Document: d.text, Property: desc}
		if desc.Effective != nil {
			if v.From, err = midnight(*desc.Effective, p.Zone); err != nil {
				return nil, fmt.Errorf("property %s, version %d: %w", p.ID, d.version, err)
			}
		}
		out = append(out, v)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("property %s has no description", p.ID)
	}
	return out, nil
}

// midnight is the instant at which day begins in zone.
func midnight(day site.Date, zone string) (time.Time, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return time.Time{}, fmt.Errorf("time zone %q: %w", zone, err)
	}
	return day.In(loc).UTC(), nil
}

// Registry is the latest snapshot; never nil.
func (s *Store) Registry() *Registry { return s.registry.Load() }

// RefreshRegistry loads whatever has changed since the latest snapshot.
func (s *Store) RefreshRegistry(ctx context.Context) error {
	s.refresh.mu.Lock()
	defer s.refresh.mu.Unlock()
	old := s.registry.Load()
	stale, gone, err := s.staleProperties(ctx, old)
	if err != nil {
		return fmt.Errorf("compare the registry: %w", err)
	}
	if len(stale) == 0 && len(gone) == 0 {
		return nil
	}
	loaded, err := s.loadProperties(ctx, stale)
	if err != nil {
		return fmt.Errorf("load the registry: %w", err)
	}
	next := &Registry{
		byName: make(map[string]*Registered, len(old.byName)+len(loaded)),
		byID:   make(map[int32]*Registered, len(old.byID)+len(loaded)),
	}
	for id, p := range old.byID {
		if !gone[id] {
			next.byID[id] = p
		}
	}
	for _, p := range loaded {
		next.byID[p.Num] = p
	}
	for _, p := range next.byID {
		next.byName[p.ID] = p
	}
	s.registry.Store(next)
	select {
	case s.refresh.changed <- struct{}{}:
	default: // one waits to be seen already
	}
	return nil
}
