package alerting

import (
	"cmp"
	"slices"
	"sort"

	"underkeep/store/site"
)

// receiptState is what is judged by the time of receipt. It only moves
// forward: data forwarded later withdraws nothing here.
type receiptState struct {
	Watermark int64
	Gateways  []heardGateway
	Points    []heardPoint
	Refused   []Refusal // of the last day
	Suspects  []string  // points in doubt for what they had refused
	Open      []episode
}

// heardGateway is when a gateway was last heard.
type heardGateway struct {
	Last    int64 // 0: never
	Offline int64 // since then; 0 when online or unknown
	Online  bool
	Silent  bool
}

// heardPoint is since when, of the time in which its gateway spoke, nothing
// has come from a point.
type heardPoint struct {
	Point string
	// QuietFrom is the last receipt, moved forward by every silence of the
	// gateway; 0 before its gateway was ever heard.
	QuietFrom int64
	Gateway   uint16
	Silent    bool
}

func (r *receiptState) fit(e *engine) {
	for len(r.Gateways) < len(e.pr.gateways) {
		r.Gateways = append(r.Gateways, heardGateway{})
	}
	r.Points = refit(r.Points, len(e.pr.points), func(p *heardPoint, i int) bool { return p.Point == e.pr.points[i].id },
		func(i int) heardPoint { return heardPoint{Point: e.pr.points[i].id} })
	r.reckonHeard(e)
}

// listen brings the receipt side to the watermark.
func (e *engine) listen(in *Input, watermark int64) {
	r := &e.receipt
	refusals, deaf := in.Refusals, in.Deaf
	arrived := arrivals(in)
	for _, c := range in.Contacts {
		for len(refusals) > 0 && refusals[0].At <= c.At {
			e.refuse(refusals[0])
			refusals = refusals[1:]
		}
		deaf = e.excuse(deaf, c.At)
		e.elapse(c.At - 1) // what comes just in time ends no silence
		e.hear(c, arrived)
	}
	for _, f := range refusals {
		e.refuse(f)
	}
	e.excuse(deaf, watermark)
	e.elapse(watermark)
	r.Watermark = max(r.Watermark, watermark)
}

// excuse forgives the silence of times that ended by a receipt time and in which
// the service did not listen. What was silent for too long before is called
// first. It returns the times that are left.
func (e *engine) excuse(deaf []Gap, by int64) []Gap {
	r := &e.receipt
	for len(deaf) > 0 && deaf[0].To <= by {
		from, to := max(deaf[0].From, r.Watermark), deaf[0].To
		deaf = deaf[1:]
		if to <= from {
			continue // accounted for
		}
		e.elapse(from)
		e.forgive(to-from, to)
		r.Watermark = to
	}
	return deaf
}

// forgive moves on by a gap what was last heard before its end.
func (e *engine) forgive(gap, end int64) {
	r := &e.receipt
	for i := range r.Gateways {
		if g := &r.Gateways[i]; g.Last != 0 && g.Last < end {
			g.Last = min(g.Last+gap, end)
			if g.Offline != 0 {
				g.Offline += gap
			}
		}
	}
	for i := range r.Points {
		if p := &r.Points[i]; p.QuietFrom != 0 && p.QuietFrom < end {
			p.QuietFrom = min(p.QuietFrom+gap, end)
		}
	}
}

// hear takes one contact at its receipt time.
func (e *engine) hear(c Contact, arrived arrival) {
	r := &e.receipt
	if int(c.Gateway) >= len(r.Gateways) {
		return
	}
	g := &r.Gateways[c.Gateway]
	switch c.Presence {
	case PresenceOffline:
		if g.Offline == 0 {
			g.Offline, g.Online = c.At, false
		}
		return
	case PresenceOnline:
		if g.Online {
			return // a retained state seen again is no sign of life
		}
		g.Online = true
	default:
		e.hearPoints(c, arrived)
	}
	e.gatewayAlive(int(c.Gateway), c.At)
}

// gatewayAlive ends a gateway's silence. The time it was silent is not held
// against its points.
func (e *engine) gatewayAlive(i int, at int64) {
	r := &e.receipt
	g := &r.Gateways[i]
	limit := e.heardSilences[i]
	if g.Last != 0 && at-g.Last > limit {
		e.pausePoints(i, at-g.Last)
	}
	first := g.Last == 0
	g.Last, g.Offline = at, 0
	if g.Silent {
		g.Silent = false
		if !slices.ContainsFunc(r.Gateways, func(h heardGateway) bool { return h.Silent }) {
			e.clearReceipt(site.GatewaySilent, "", at)
		}
	}
	if first {
		e.startPoints(i, at)
	}
}

func (e *engine) pausePoints(gateway int, gap int64) {
	for i := range e.receipt.Points {
		p := &e.receipt.Points[i]
		if p.QuietFrom != 0 && int(p.Gateway) == gateway && !p.Silent {
			p.QuietFrom += gap
		}
	}
}

// startPoints begins to expect the points of a gateway that is heard for the
// first time.
func (e *engine) startPoints(gateway int, at int64) {
	for i := range e.receipt.Points {
		p, rule := &e.receipt.Points[i], &e.pr.points[i]
		if p.QuietFrom == 0 && (rule.gateway == gateway || rule.gateway == noGateway) {
			p.QuietFrom, p.Gateway = at, uint16(gateway)
		}
	}
	e.receipt.reckonHeard(e)
}

// expectNewPoints begins to expect the points that a version of the description
// brings, from its beginning or, where that has long passed, from now.
func (e *engine) expectNewPoints(at int64) {
	at = max(at, e.receipt.Watermark)
	for i := range e.receipt.Points {
		p, rule := &e.receipt.Points[i], &e.pr.points[i]
		heard := func(h heardGateway) bool { return h.Last != 0 }
		g := rule.gateway
		if g == noGateway {
			g = slices.IndexFunc(e.receipt.Gateways, heard)
		}
		if p.QuietFrom == 0 && g >= 0 && heard(e.receipt.Gateways[g]) {
			p.QuietFrom, p.Gateway = at, uint16(g)
		}
	}
	e.receipt.reckonHeard(e)
}

// arrival gives the readings that came with one message.
type arrival func(received int64) []Reading

// arrivals looks readings up by their receipt. A step of the live service holds
// a message or two; a long history holds thousands.
func arrivals(in *Input) arrival {
	if len(in.Contacts) <= 2 {
		return func(int64) []Reading { return in.Readings }
	}
	byReceipt := slices.Clone(in.Readings)
	slices.SortStableFunc(byReceipt, func(a, b Reading) int { return cmp.Compare(a.Received, b.Received) })
	return func(received int64) []Reading {
		i := sort.Search(len(byReceipt), func(i int) bool { return byReceipt[i].Received >= received })
		j := i
		for j < len(byReceipt) && byReceipt[j].Received == received {
			j++
		}
		return byReceipt[i:j]
	}
}

// hearPoints notes the points of this message: the readings of its gateway
// received at its time.
func (e *engine) hearPoints(c Contact, arrived arrival) {
	for _, rd := range arrived(c.At) {
		if rd.Received != c.At || rd.Gateway != c.Gateway || int(rd.Series) >= len(e.pr.series) {
			continue
		}
		if i := e.pr.series[rd.Series].point; i >= 0 {
			p := &e.receipt.Points[i]
			moved := p.QuietFrom == 0 || p.Gateway != c.Gateway
			p.QuietFrom, p.Gateway = c.At, c.Gateway
			if moved {
				e.receipt.reckonHeard(e)
			}
			if p.Silent {
				p.Silent = false
				e.clearReceipt(site.PointSilent, p.Point, c.At)
			}
		}
	}
}

// elapse raises what has been silent for too long by the receipt time t.
func (e *engine) elapse(t int64) {
	for i := range e.receipt.Gateways {
		g := &e.receipt.Gateways[i]
		if at := e.gatewayDue(i); !g.Silent && at <= t {
			g.Silent = true
			if find(e.receipt.Open, site.GatewaySilent, "") == nil {
				e.raiseReceipt(site.GatewaySilent, "", Medium, at)
			}
		}
	}
	for i := range e.receipt.Points {
		p := &e.receipt.Points[i]
		if at := e.pointDue(i); !p.Silent && at <= t {
			p.Silent = true
			e.raiseReceipt(site.PointSilent, p.Point, Low, at)
		}
	}
	e.endRefusals(t)
}

// gatewayDue is the receipt time at which a gateway that stays silent is called.
func (e *engine) gatewayDue(i int) int64 {
	rule := &e.pr.gateways[i]
	if !rule.watched {
		return never
	}
	g := &e.receipt.Gateways[i]
	at := never
	if g.Last != 0 && e.heardSilences[i] < openEnded {
		at = g.Last + e.heardSilences[i]
	}
	if g.Offline != 0 {
		at = min(at, g.Offline+rule.offline)
	}
	return at
}

// pointDue is when a point is called silent, never while its gateway is silent.
func (e *engine) pointDue(i int) int64 {
	rule, p := &e.pr.points[i], &e.receipt.Points[i]
	if rule.silence == never || p.QuietFrom == 0 {
		return never
	}
	at := p.QuietFrom + rule.silence
	g := &e.receipt.Gateways[p.Gateway]
	if at > g.Last+e.heardSilences[p.Gateway] || g.Silent {
		return never
	}
	return at
}

func (e *engine) raiseReceipt(c site.Condition, point string, p Priority, at int64) {
	ep := e.newEpisode(c, point, p, at)
	e.receipt.Open = append(e.receipt.Open, ep)
}

func (e *engine) clearReceipt(c site.Condition, point string, at int64) {
	i := slices.IndexFunc(e.receipt.Open, func(ep episode) bool { return ep.Condition == c && ep.Point == point })
	if i < 0 {
		return
	}
	ep := e.receipt.Open[i]
	e.receipt.Open = slices.Delete(e.receipt.Open, i, i+1)
	ep.ClearedAt = max(at, ep.RaisedAt)
	e.changed = true
	e.closed = append(e.closed, ep)
	e.releaseConsequences(e.receipt.Open, c, at)
}

// refusedKept bounds what a gateway that sends nonsense can make us remember.
const refusedKept = 200

// refuse counts readings of a point that were refused for value or time.
func (e *engine) refuse(f Refusal) {
	if f.Point == "" || !e.pr.site.Limits.Enabled(site.SensorSuspect) {
		return
	}
	r, v := &e.receipt, e.pr.site.Limits.Value
	r.Refused = keepLast(append(r.Refused, f), refusedKept)
	w := µsOf(v(site.SensorSuspect, "refused_within"))
	r.Refused = slices.DeleteFunc(r.Refused, func(o Refusal) bool { return o.At <= f.At-w })
	n := 0
	for _, o := range r.Refused {
		if o.Point == f.Point && o.Impossible == f.Impossible {
			n++
		}
	}
	known := indexBy(len(e.pr.points), func(i int) bool { return e.pr.points[i].id == f.Point }) >= 0
	if n < int(v(site.SensorSuspect, "refused")) || !known || slices.Contains(r.Suspects, f.Point) {
		return
	}
	r.Suspects = append(r.Suspects, f.Point)
	if find(e.st.Open, site.SensorSuspect, f.Point) == nil {
		e.raiseReceipt(site.SensorSuspect, f.Point, Low, f.At)
	}
}

// endRefusals clears a point a day after its last refused reading.
func (e *engine) endRefusals(t int64) {
	r := &e.receipt
	w := µsOf(e.pr.site.Limits.Value(site.SensorSuspect, "clear_sustained"))
	r.Suspects = slices.DeleteFunc(r.Suspects, func(point string) bool {
		last := int64(0)
		for _, f := range r.Refused {
			if f.Point == point {
				last = f.At
			}
		}
		if last+w > t {
			return false
		}
		e.clearReceipt(site.SensorSuspect, point, last+w)
		return true
	})
}
