package pages

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"underkeep/alerting/outlook"
	"underkeep/api/view"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// What is coming to a house is figured from its readings of eight days, which
// takes some milliseconds. A page of the fleet figures as many as there is time
// for, and the rest behind it; they stand there at the next look.
const (
	comingHolds  = 10 * time.Minute
	comingBudget = 20 * time.Millisecond // of one page
	comingQueue  = 500                   // houses that wait
	comingKept   = 20000
)

// comings remembers what is coming to houses with a pump.
type comings struct {
	mu      sync.Mutex
	kept    map[string]comingAt
	waiting []func()
	working bool
}

type comingAt struct {
	at   time.Time
	pump outlook.Pump
	rain outlook.Rain
}

// comingTo says in a line each what rain and pump have ahead of them. Houses of
// which nothing is known yet, or nothing to tell, are left out.
func (p *pages) comingTo(ctx context.Context, who view.Principal, houses []view.Property) map[string]comingLine {
	out := make(map[string]comingLine)
	deadline := time.Now().Add(comingBudget)
	for _, h := range houses {
		if !pumped(h.Property) {
			continue
		}
		c, known := p.comings.get(h.ID, p.Now())
		if !known {
			figure := func(ctx context.Context) {
				if in, err := p.Source.OutlookInput(ctx, who.Scope(), h.ID); err == nil { // else the row says nothing of it
					o := outlook.Compute(in)
					p.comings.put(h.ID, comingAt{p.Now(), o.Pump, o.Rain})
				}
			}
			if time.Now().After(deadline) {
				p.comings.later(context.WithoutCancel(ctx), figure)
				continue
			}
			figure(ctx)
			if c, known = p.comings.get(h.ID, p.Now()); !known {
				continue
			}
		}
		if line := comingWords(c, h.Property, p.Now()); line.Says != "" {
			out[h.ID] = line
		}
	}
	return out
}

func pumped(p site.Property) bool {
	return p.Sump != nil && slices.ContainsFunc(p.Points, func(pt site.Point) bool { return pt.Has(site.PumpRun) })
}

func (c *comings) get(id string, now time.Time) (comingAt, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	kept, ok := c.kept[id]
	return kept, ok && now.Sub(kept.at) < comingHolds
}

func (c *comings) put(id string, k comingAt) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= comingKept {
		c.kept = make(map[string]comingAt)
	}
	c.kept[id] = k
}

// later has one house after the other figured, by one worker that ends when
// there is none left.
func (c *comings) later(ctx context.Context, f func(context.Context)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.waiting) >= comingQueue {
		return
	}
	c.waiting = append(c.waiting, func() {
		ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		f(ctx)
	})
	if !c.working {
		c.working = true
		go c.work()
	}
}

func (c *comings) work() {
	for {
		c.mu.Lock()
		if len(c.waiting) == 0 {
			c.working = false
			c.mu.Unlock()
			return
		}
		next := c.waiting[0]
		c.waiting = c.waiting[1:]
		c.mu.Unlock()
		next()
	}
}

// comingLine is what is coming to a house, in a line.
type comingLine struct {
	Says string
	Bad  bool // the pump may not keep up
}

// comingWords holds the rain that is forecast against what the pump can do; in a
// storm without a forecast, what is left of the pump.
func comingWords(c comingAt, p site.Property, now time.Time) comingLine {
	say := foreteller{units: p.Units, now: now, zone: zoneOf(p)}
	if a := c.rain.Ahead; a != nil && a.DepthMm >= 1 && !a.From.IsZero() {
		line := comingLine{Says: fmt.Sprintf("%s of rain from %s on", say.format(units.Depth, a.DepthMm), clock(a.From, now, say.zone))}
		if m := a.Margin; m != nil {
			line.Says, line.Bad = line.Says+"; "+leaves(*m), m.Low <= 0
		}
		return line
	}
	if c.pump.Known && c.pump.Storm != nil && c.pump.MarginNow != nil {
		m := *c.pump.MarginNow
		return comingLine{Says: fmt.Sprintf("storm, %s so far; %s", say.format(units.Depth, c.pump.Storm.DepthMm), leaves(m)), Bad: m.Low <= 0}
	}
	return comingLine{}
}

// leaves says what is left of the pump.
func leaves(m outlook.Range) string {
	low := math.Max(0, m.Low)
	switch {
	case m.High <= 0:
		return "more than the pump can move"
	case m.Low <= 0:
		return fmt.Sprintf("may be more than the pump can move (%.0f %% left)", 100*math.Max(0, m.Value))
	}
	return fmt.Sprintf("leaves %.0f %% of the pump (%.0f %% at worst)", 100*m.Value, 100*low)
}
