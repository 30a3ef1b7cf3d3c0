package simulate

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"underkeep/store/site"
)

// Fleet of rental cottages on Skerry Bank, a barrier island that exists nowhere:
// some with a past, a few with trouble now, most of them well.
type Fleet struct {
	Spaces []*Space
	Live   time.Time // when the live part begins
	Start  time.Time // when the history begins
	Notes  []Note    // what is arranged, for the log and for tests
}

// Note says what is arranged at one property.
type Note struct{ Property, What string }

// HistoryLength is how much past a fleet has.
const HistoryLength = 92 * 24 * time.Hour

// historyEvery and historyPack shape the past: readings every quarter of an
// hour, a few packs a day. Live, every point reports each minute.
const (
	historyEvery = 15 * time.Minute
	historyPack  = 6 * time.Hour
	liveEvery    = time.Minute
	// rarely: three months at once are stored fastest without repeats among them.
	rarely = 1e-9
)

var (
	areas   = []string{"North Spit", "Lantern Point", "Gull Hollow", "South Wrack"}
	streets = []string{"Tern Row", "Plover Court", "Marram Way", "Cuttle Close", "Whelk Lane", "Saltwort Road", "Driftline Walk", "Skate Alley"}
	given   = []string{"Ada", "Bram", "Cleo", "Dov", "Esme", "Faro", "Gwen", "Hale", "Inga", "Jory", "Kit", "Lorne"}
	family  = []string{"Ashdown", "Brack", "Corrie", "Denholm", "Ferris", "Gannow", "Hythe", "Larkin", "Merrow", "Orrin", "Pell", "Sowerby"}
)

// NewFleet builds n cottages whose history ends and whose live part begins at
// live. The measured summer and autumn of 2013 at Kennedy airport is moved so
// that the live part always falls in humid early September.
func NewFleet(n int, seed uint64, live time.Time) *Fleet {
	live = live.UTC()
	f := &Fleet{Live: live, Start: live.Add(-HistoryLength).Truncate(time.Hour)}
	shift := time.Date(2013, 9, 3, 0, 0, 0, 0, time.UTC).Sub(live.Truncate(24 * time.Hour))
	weather := MeasuredWeather(Kennedy, shift).Warmer(2)
	rain := MeasuredRain(Kennedy, shift)
	for i := range n {
		c := f.cottage(i, seed)
		part := parts[len(parts)-1]
		if i < len(parts) {
			part = parts[i]
		}
		cfg := Config{From: f.Start, Weather: weather, Rain: rain, Comms: Comms{PackEvery: historyPack, AbsoluteTimes: i%3 == 1, DuplicateShare: rarely}}
		cfg.Traits = Traits{AirChangesPerHour: between(seed, 51, uint64(i), 0.05, 0.11), HumidistatOffset: between(seed, 52, uint64(i), -0.8, 0.8),
			GroundMeanC: 16.5, SupplyAirC: 14}
		part.arrange(f, &c, &cfg)
		cfg.Property = c.Property()
		s := NewSpace(cfg, mix(seed, 50, uint64(i)))
		if part.plan != nil {
			part.plan(f, s)
		}
		f.Spaces = append(f.Spaces, s)
		if part.what != "" {
			f.Notes = append(f.Notes, Note{c.ID, part.what})
		}
	}
	return f
}

// cottage number i with its everyday equipment.
func (f *Fleet) cottage(i int, seed uint64) Cottage {
	street := streets[i%len(streets)]
	number := 1 + 2*(i/len(streets)) + 10*(i/(4*len(streets)))
	pick := func(stream uint64, share float64) bool { return uniform(seed, stream, uint64(i)) < share }
	owner := given[i%len(given)] + " " + family[(i*5+i/len(family))%len(family)]
	c := Cottage{
		ID:        fmt.Sprintf("%s-%d", strings.ToLower(strings.ReplaceAll(street, " ", "-")), number),
		Name:      fmt.Sprintf("%d %s", number, street),
		Area:      areas[i%len(streets)/2],
		Owner:     site.Owner{Name: owner, Email: strings.ToLower(strings.ReplaceAll(owner, " ", ".")) + "@example.org"},
		Installed: f.Start.AddDate(0, -int(2+mix(seed, 60, uint64(i))%14), 0),
		Location:  &site.Location{Lat: float64(34050+2*i) / 1000, Lon: float64(-76400+3*(i%7)) / 1000},
		Every:     historyEvery,
		FloorM2:   math.Round(between(seed, 61, uint64(i), 75, 135)) * 10 * foot * foot,
		AirPoints: 2 + int(mix(seed, 62, uint64(i))%2),
		Fan:       pick(63, 0.4), Wood: pick(64, 0.5), Duct: pick(65, 0.5), Leak: pick(66, 0.6), Mains: pick(67, 0.7), Battery: pick(68, 0.5),
		Backup: pick(69, 0.2), PumpOn: pick(70, 0.5), Warranty: "standard-60",
		WaterHistory: []string{"damp", "dry", "damp", "flooded"}[mix(seed, 71, uint64(i))%4],
	}
	return c
}

// part is the role of one cottage.
type part struct {
	what  string
	equip func(*Cottage)
	rig   func(*Config)
	fault func(live time.Time) []Fault
	plan  func(*Fleet, *Space)
}

func (p part) arrange(f *Fleet, c *Cottage, cfg *Config) {
	if p.equip != nil {
		p.equip(c)
	}
	if p.rig != nil {
		p.rig(cfg)
	}
	if p.fault != nil {
		cfg.Faults = p.fault(f.Live)
	}
}

func days(n float64) time.Duration { return time.Duration(n * float64(24*time.Hour)) }

// one fault that begins and ends so long before (negative: after) the live part.
func once(k Kind, begin, end time.Duration, size float64, point string) func(time.Time) []Fault {
	return func(live time.Time) []Fault {
		f := Fault{Kind: k, From: live.Add(-begin), Size: size, Point: point}
		if end != 0 {
			f.Until = live.Add(-end)
		}
		return []Fault{f}
	}
}

// parts in the order of the cottages; the last one, a house that is well,
// serves all that follow.
var parts = []part{
	{what: "dehumidifier tripped off 45 days ago and was reset 39 days ago", fault: once(DehumidifierOff, days(45), days(39), 0, "")},
	{},
	{what: "dehumidifier trips off; humidity-high falls due within two minutes of the live start",
		equip: func(c *Cottage) { c.Mains, c.NoPower = true, false },
		rig:   func(c *Config) { c.Traits.AirChangesPerHour, c.Traits.WoodKg, c.Traits.GroundLPerDay = 0.12, 60, 16 }, plan: planTrip},
	{},
	{what: "pump wears since 40 days", fault: once(ImpellerWorn, days(40), 0, 0.74, ""),
		equip: func(c *Cottage) { c.WaterHistory, c.NoSump = "flooded", false }},
	{what: "insulation off the supply duct since 4 days", fault: once(DuctBare, days(4), 0, 8, ""), equip: func(c *Cottage) { c.Duct = true }},
	{},
	{what: "gateway silent since 2 days", fault: once(GatewayDead, days(2), 0, 0, "")},
	{what: "a sensor's battery runs low since 16 days", fault: once(BatteryFade, days(16), 0, 2, "north-bay"), equip: func(c *Cottage) { c.Battery = true }},
	{},
	{what: "water without rain since 3 days", fault: once(SpringWater, days(3), 0, 600, ""), equip: func(c *Cottage) { c.WaterHistory = "damp" }},
	{what: "hatch left open from 20 to 14 days ago", fault: once(AirOpening, days(20), days(14), 14, "")},
	{},
	{what: "the dehumidifier's outlet trips one minute into the live part", fault: once(DehumidifierBreaker, -time.Minute, 0, 0, ""),
		equip: func(c *Cottage) { c.Mains, c.NoPower = true, false }},
	{what: "a pipe bursts as the live part begins", fault: once(PlumbingLeak, 0, 0, 40000, ""),
		equip: func(c *Cottage) { c.Leak = true }},
	{what: "exhaust fan stopped since 9 days", fault: once(ExhaustStopped, days(9), 0, 0, ""), equip: func(c *Cottage) { c.Fan = true }},
	{},
	{what: "a humidity sensor drifts since 25 days", fault: once(SensorDrift, days(25), 0, 1.2, "south-bay"), equip: func(c *Cottage) { c.AirPoints = 3 }},
	{what: "the way out was cut from 12 to 10 days ago; everything was forwarded later", fault: once(UplinkDown, days(12), days(10), 0, "")},
	{what: "pump unplugged from 60 to 33 days ago", fault: once(PumpUnplugged, days(60), days(33), 0, ""), equip: func(c *Cottage) { c.WaterHistory, c.Backup = "flooded", false }},
	{},
	{what: "dehumidifier lost its charge 6 days ago", fault: once(ChargeLost, days(6), 0, 0, ""), rig: func(c *Config) { c.Traits.AirChangesPerHour = 0.3 }},
	{what: "storm took the mains for 7 hours 27 days ago", fault: once(MainsDown, days(27), days(27)-7*time.Hour, 0, ""), equip: func(c *Cottage) { c.Mains = true }},
	{},
}

// YAML is the property files of the whole fleet, one document each.
func (f *Fleet) YAML() []byte {
	var b bytes.Buffer
	for i, s := range f.Spaces {
		if i > 0 {
			b.WriteString("---\n")
		}
		b.Write(s.YAML())
	}
	return b.Bytes()
}

// YAML is the property's file.
func (s *Space) YAML() []byte { return site.FormatProperty(s.property) }

// History runs every cottage up to the live part, a day at a time, and then
// lets points report each minute. It stops at the first error of emit.
func (f *Fleet) History(emit func(*Space, Message) error) error {
	for day := f.Start; day.Before(f.Live); {
		day = day.Add(24 * time.Hour)
		if day.After(f.Live) {
			day = f.Live
		}
		if err := f.Advance(day, emit); err != nil {
			return err
		}
	}
	for _, s := range f.Spaces {
		var failed error
		s.Drain(func(m Message) {
			if failed == nil {
				failed = emit(s, m)
			}
		})
		if failed != nil {
			return failed
		}
		s.Report(liveEvery, time.Second)
	}
	return nil
}

// Advance steps every cottage to now and hands over what arrives, per cottage
// in order of arrival.
func (f *Fleet) Advance(now time.Time, emit func(*Space, Message) error) error {
	for _, s := range f.Spaces {
		var failed error
		s.Advance(now, func(m Message) {
			if failed == nil {
				failed = emit(s, m)
			}
		})
		if failed != nil {
			return fmt.Errorf("hand over a message of %s: %w", s.ID(), failed)
		}
	}
	return nil
}

// planTrip arranges, two days before the live part, when the dehumidifier has
// to trip so that the first reading above 60 %RH is taken six hours before the
// moment at which the alarm shall fall due (45 to 105 s into the live part,
// which leaves the service time to store the past first).
func planTrip(f *Fleet, s *Space) {
	due := f.Live.Add(45 * time.Second).Truncate(time.Minute).Add(time.Minute)
	first := due.Add(-6 * time.Hour).Unix()
	for i := range s.channels { // so that a sample falls on that minute
		if c := &s.channels[i]; c.everyS > 0 {
			c.phaseS = floorMod(first, c.everyS)
		}
	}
	planAt := f.Live.Add(-60 * time.Hour).Unix()
	s.onMinute = func(s *Space) {
		if s.now < planAt {
			return
		}
		s.onMinute = nil
		s.Inject(Fault{Kind: DehumidifierOff, From: bestTrip(s, first)})
	}
}

// bestTrip tries the trip at every quarter of an hour in the two days before
// first, and then every minute around the best, on copies of the space.
func bestTrip(s *Space, first int64) time.Time {
	best, bestMiss := time.Unix(first-6*3600, 0), int64(1<<62)
	try := func(at int64) {
		if at <= s.now {
			return
		}
		if miss := missBy(s, at, first); miss < bestMiss {
			best, bestMiss = time.Unix(at, 0).UTC(), miss
		}
	}
	for at := first - 48*3600; at < first && bestMiss > 0; at += 3600 {
		try(at)
	}
	for centre, at := best.Unix(), best.Unix()-3600; at <= centre+3600 && bestMiss > 0; at += 120 {
		try(at)
	}
	return best
}

// missBy is how many seconds the excursion misses its appointed beginning when
// the dehumidifier trips at a given time; a reading that falls back to the
// limit counts as an hour.
func missBy(s *Space, tripAt, first int64) int64 {
	c := s.clone()
	c.onMinute = nil
	c.Inject(Fault{Kind: DehumidifierOff, From: time.Unix(tripAt, 0)})
	began, back := map[string]int64{}, map[string]int64{}
	for c.now < first+6*3600 {
		c.minute(func(Message) {})
		for i := range c.channels {
			ch := &c.channels[i]
			pt := &c.property.Points[ch.point]
			if ch.quantity != site.RH || pt.Outdoors || !ch.due(c.now) || c.now <= tripAt {
				continue
			}
			switch over := ch.last > 60; {
			case over && began[pt.ID] == 0:
				began[pt.ID] = c.now
			case !over && began[pt.ID] != 0:
				back[pt.ID]++
			}
		}
	}
	earliest, fell := int64(1<<60), int64(0)
	for id, at := range began {
		if at < earliest {
			earliest, fell = at, back[id]
		}
	}
	return max(earliest-first, first-earliest) + 3600*fell
}

// clone copies the state, so that a what-if leaves the original untouched.
func (s *Space) clone() *Space {
	c := *s
	c.faults = slices.Clone(s.faults)
	c.channels = slices.Clone(s.channels)
	c.places = slices.Clone(s.places)
	c.pointWood = slices.Clone(s.pointWood)
	c.batteries = slices.Clone(s.batteries)
	c.gate.waiting = slices.Clone(s.gate.waiting)
	c.gate.buf = nil
	c.sump = s.sump.clone()
	c.twin = s.twin.clone()
	c.truth = nil
	return &c
}

func (b basin) clone() basin {
	if b.backup != nil {
		u := *b.backup
		u.cycles, u.changedMS = slices.Clone(u.cycles), slices.Clone(u.changedMS)
		b.backup = &u
	}
	b.primary.cycles, b.primary.changedMS = slices.Clone(b.primary.cycles), slices.Clone(b.primary.changedMS)
	b.wetEdges = slices.Clone(b.wetEdges)
	return b
}
