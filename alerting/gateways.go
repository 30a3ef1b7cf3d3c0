package alerting

import "slices"

// openEnded is the silence of a gateway whose points all report on change
// only: it may say nothing for as long as it likes.
const openEnded = int64(1) << 60

// silenceOf is how long a gateway may say nothing: by the shortest interval of
// its points, which are those that name it and those it reports. Of a gateway
// that has no point yet nothing is known.
func (pr *program) silenceOf(gateway int, reports func(point int) bool) (limit int64, known bool) {
	shortest := int64(0)
	for i, pt := range pr.points {
		if pt.gateway != gateway && (pt.gateway != noGateway || !reports(i)) {
			continue
		}
		known = true
		if pt.every > 0 && (shortest == 0 || pt.every < shortest) {
			shortest = pt.every
		}
	}
	switch {
	case !known:
		return pr.gateways[gateway].silence, false
	case shortest == 0:
		return openEnded, true
	}
	return max(pr.silentLeast, int64(pr.silentTimes*float64(shortest))), true
}

// reckonSilences works out anew how long each gateway may say nothing, in
// event time, after points were found to report by another one.
func (e *engine) reckonSilences() {
	e.silences = e.silences[:0]
	for g := range e.pr.gateways {
		limit, _ := e.pr.silenceOf(g, func(point int) bool {
			return slices.ContainsFunc(e.pr.points[point].series, func(s int) bool {
				return e.st.Signals[s].At != 0 && int(e.st.Signals[s].Gateway) == g
			})
		})
		e.silences = append(e.silences, limit)
	}
	e.nextLapse = notYet
}

// silence is how long a gateway may say nothing now. One that reports on change
// only is taken to speak while one with intervals does.
func (e *engine) silence(g int) int64 {
	if e.silences[g] < openEnded {
		return e.silences[g]
	}
	heard := false
	for k := range e.st.Gateways {
		if e.silences[k] < openEnded && e.st.Gateways[k].Last != notYet {
			heard = true
			if e.st.Gateways[k].Speaking {
				return openEnded
			}
		}
	}
	if heard {
		return e.pr.gateways[g].silence
	}
	return openEnded
}

// quieten ends the speech of gateways that have said nothing for too long; those
// with intervals first, since the others follow them.
func (e *engine) quieten(at int64) {
	for _, follows := range []bool{false, true} {
		for g := range e.st.Gateways {
			sp := &e.st.Gateways[g]
			if sp.Speaking && (e.silences[g] == openEnded) == follows && sp.Last+e.silence(g) <= at {
				sp.Speaking = false
				e.hush(g)
			}
		}
	}
}

// speak notes that a gateway has said something, and with it those that report
// on change only.
func (e *engine) speak(g int, at int64) {
	sp := &e.st.Gateways[g]
	sp.Last = at
	if sp.Speaking {
		return
	}
	sp.Speaking, sp.Since = true, at
	e.wake(g)
	e.nextLapse = notYet
	if e.silences[g] == openEnded {
		return
	}
	for k := range e.st.Gateways {
		if other := &e.st.Gateways[k]; !other.Speaking && other.Last != notYet && e.silences[k] == openEnded {
			other.Speaking, other.Since = true, at
			e.wake(k)
		}
	}
}

// hush makes the events and states of a gateway unknown while it is silent.
func (e *engine) hush(g int) {
	for i := range e.st.Signals {
		s := &e.st.Signals[i]
		if s.Covered && s.Until == never && int(s.Gateway) == g {
			s.Covered = false
			e.touch(i)
		}
	}
}

// wake makes them known again: a gateway that speaks would have said a change.
func (e *engine) wake(g int) {
	for i := range e.st.Signals {
		s := &e.st.Signals[i]
		if !s.Covered && s.Until == never && s.At != 0 && int(s.Gateway) == g {
			s.Covered = true
			e.touch(i)
		}
	}
}

// reckonHeard does the same by receipt: a point belongs to the gateway that
// last reported it, or that was heard first.
func (r *receiptState) reckonHeard(e *engine) {
	e.heardSilences = e.heardSilences[:0]
	for g := range e.pr.gateways {
		limit, known := e.pr.silenceOf(g, func(point int) bool {
			p := &r.Points[point]
			return p.QuietFrom != 0 && int(p.Gateway) == g
		})
		if !known {
			limit = openEnded
		}
		e.heardSilences = append(e.heardSilences, limit)
	}
}
