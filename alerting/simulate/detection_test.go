package simulate_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"underkeep/alerting"
	"underkeep/alerting/simulate"
	"underkeep/store/site"
)

// outcome of one scenario in one house.
type outcome struct {
	sc       *scenario
	years    float64
	truth    *simulate.Truth
	alarms   []alerting.Alarm
	strict   []episode
	certain  []episode
	allowed  []episode
	faultAt  time.Time
	faultEnd time.Time
	readings int
	took     time.Duration // evaluation alone
}

// draw makes the house, the weather and the moment of one run. Development and
// held-out runs share neither weather station nor rain.
func (sc *scenario) draw(seed uint64, heldOut bool) (simulate.Config, time.Time) {
	r := rand.New(rand.NewPCG(seed, 77))
	c := simulate.Cottage{ID: fmt.Sprintf("t-%d", seed), Name: "t", FloorM2: 75 + 50*r.Float64(), PumpOn: r.IntN(2) == 0,
		Wood: r.IntN(2) == 0, Leak: r.IntN(2) == 0, Fan: r.IntN(3) == 0}
	if sc.month == 0 || sc.rain != 0 {
		c.AirPoints = 1 + r.IntN(3)
	}
	if sc.house != nil {
		sc.house(&c)
	}
	month := sc.month
	if month == 0 {
		month = time.Month(1 + r.IntN(12))
	}
	from := time.Date(2013, month, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, r.IntN(14)-30)
	c.Installed = from.AddDate(0, -2, 0)
	if sc.wetNew {
		c.Installed = from.AddDate(0, 0, -1) // readings before the day of installation are refused
	}
	cfg := simulate.Config{Property: c.Property(), From: from, KeepTruth: true, NoPayload: true}
	cfg.Traits = simulate.Traits{AirChangesPerHour: 0.05 + 0.08*r.Float64(), HumidistatOffset: 1.6*r.Float64() - 0.8, GroundLPerDay: 1 + 1.5*r.Float64()}
	if sc.traits != nil {
		sc.traits(&cfg.Traits)
	}
	if sc.comms != nil {
		sc.comms(&cfg.Comms)
	}
	sc.sky(&cfg, r, heldOut)
	return cfg, sc.injure(&cfg, r)
}

func (sc *scenario) sky(cfg *simulate.Config, r *rand.Rand, heldOut bool) {
	if heldOut {
		cfg.Weather = simulate.MeasuredWeather([]simulate.Station{simulate.Kennedy, simulate.LaGuardia}[r.IntN(2)], 0)
		cfg.Rain = []*simulate.Rain{simulate.MeasuredRain(simulate.Kennedy, 0), simulate.MeasuredRain(simulate.LaGuardia, 0), simulate.BasinRain(0)}[r.IntN(3)]
	} else {
		cfg.Weather = simulate.MeasuredWeather(simulate.Newark, 0)
		cfg.Rain = []*simulate.Rain{simulate.MeasuredRain(simulate.Newark, 0), simulate.GaugeRain(0)}[r.IntN(2)]
	}
	switch {
	case sc.rain < 0:
		cfg.Rain = simulate.NoRain()
	case sc.rain > 0:
		cfg.Rain = cfg.Rain.Scaled(sc.rain)
	}
}

// injure adds the faults and gives the moment of the first.
func (sc *scenario) injure(cfg *simulate.Config, r *rand.Rand) time.Time {
	at := sc.at
	if at == 0 {
		at = 45
	}
	when := cfg.From.AddDate(0, 0, at).Add(time.Duration(r.IntN(86400)) * time.Second).Truncate(time.Second)
	if sc.storm {
		when = heaviest(cfg.Rain, when.Add(-10*day), when.Add(20*day)).Add(-hour)
	}
	for _, f := range sc.faults {
		x := simulate.Fault{Kind: f.kind, From: when.Add(f.after), Size: f.size, Point: f.point}
		if f.long > 0 {
			x.Until = x.From.Add(f.long)
		}
		cfg.Faults = append(cfg.Faults, x)
	}
	return when
}

// heaviest is the beginning of the twelve wettest hours in a stretch.
func heaviest(r *simulate.Rain, from, to time.Time) time.Time {
	best, most := from, -1.0
	for at := from; at.Before(to); at = at.Add(hour) {
		mm := 0.0
		for s := at.Unix(); s < at.Unix()+12*3600; s += 300 {
			mm += r.DepthMM(s)
		}
		if mm > most {
			best, most = at, mm
		}
	}
	return best
}

// play runs one scenario in one house through model, evaluator and judge.
func (sc *scenario) play(seed uint64, heldOut bool) (*outcome, error) {
	cfg, when := sc.draw(seed, heldOut)
	days := sc.days
	if days == 0 {
		days = 75
	}
	until := cfg.From.AddDate(0, 0, days)
	o := &outcome{sc: sc, years: float64(days) / 365, faultAt: when, faultEnd: until}
	for _, f := range cfg.Faults {
		if !f.Until.IsZero() {
			o.faultEnd = f.Until
		}
	}
	s := simulate.NewSpace(cfg, seed)
	rec := newReceiver(s.Property())
	s.Advance(until, rec.take)
	start := time.Now()
	if err := rec.replay(); err != nil {
		return nil, fmt.Errorf("%s, seed %d: %w", sc.name, seed, err)
	}
	o.took, o.readings = time.Since(start), rec.readings
	o.alarms, o.truth = rec.r.Alarms(), s.Truth()
	o.strict, o.certain, o.allowed = truths(o.truth, strict), truths(o.truth, certain), truths(o.truth, allowed)
	return o, nil
}

// receiver stands where decoding and checking stand in the service: it takes
// the contract's refusals of times and nothing else, since the model sends
// nothing that is not well formed. Another test sends whole recordings through
// the service's own door and compares.
type receiver struct {
	r         *alerting.Replay
	installed time.Time
	series    map[string]uint16
	messages  []alerting.Message
	gateway   uint16
	readings  int
}

func newReceiver(p site.Property) *receiver {
	rc := &receiver{series: map[string]uint16{}, installed: time.Date(p.Installed.Year, p.Installed.Month, p.Installed.Day, 0, 0, 0, 0, zone(p.Timezone))}
	d := alerting.Description{Property: p.ID, Versions: []site.Property{p}}
	for _, pt := range p.Points {
		for _, q := range pt.Measures {
			rc.series[pt.ID+"/"+q.String()] = uint16(len(d.Series))
			d.Series = append(d.Series, alerting.Series{Point: pt.ID, Quantity: q})
		}
	}
	rc.r = alerting.NewReplay(d)
	rc.gateway = rc.r.Evaluator().Gateway("gw-1")
	return rc
}

func (rc *receiver) take(m simulate.Message) {
	us := m.Received.UnixMicro()
	out := alerting.Message{Received: m.Received, Contact: alerting.Contact{At: us, Gateway: rc.gateway}}
	if m.Presence {
		out.Contact.Presence = alerting.PresenceOffline
		if string(m.Payload) == "online" {
			out.Contact.Presence = alerting.PresenceOnline
		}
	}
	m.Each(func(x simulate.Reading) {
		if x.At.Before(rc.installed) || x.At.After(m.Received.Add(10*time.Minute)) {
			out.Refusals = append(out.Refusals, alerting.Refusal{At: us, Point: x.Point, Quantity: x.Quantity, Value: x.Value, Gateway: rc.gateway})
			return
		}
		out.Readings = append(out.Readings, alerting.Reading{At: x.At.UnixMicro(), Received: us, Value: x.Value,
			Series: rc.series[x.Point+"/"+x.Quantity.String()], Gateway: rc.gateway})
	})
	rc.readings += len(out.Readings)
	rc.messages = append(rc.messages, out)
}

func (rc *receiver) replay() error {
	for _, m := range rc.messages {
		if err := rc.r.Receive(m); err != nil {
			return err
		}
	}
	rc.messages = nil
	return nil
}

// spanOf an alarm in minutes of the record.
func (o *outcome) spanOf(a alerting.Alarm) span {
	s := span{o.minute(a.RaisedAt), o.truth.Len()}
	if !a.ClearedAt.IsZero() {
		s.to = o.minute(a.ClearedAt)
	}
	return s
}

func (o *outcome) minute(t time.Time) int { return int(t.Sub(o.truth.Start).Minutes()) - 1 }

// same says whether an alarm is about an episode: condition, point, and a
// common time within a tolerance.
func (o *outcome) same(a alerting.Alarm, e episode, tolerance int) bool {
	if a.Condition != e.condition {
		return false
	}
	if a.Point != e.point && !(e.condition == site.SensorSuspect && e.point == "") {
		return false
	}
	s := o.spanOf(a)
	return s.from <= e.to+tolerance && s.to >= e.from-tolerance
}

// answer is the alarm that answers an episode: the one raised nearest to it.
func (o *outcome) answer(e episode) (alerting.Alarm, bool) {
	best, found, gap := alerting.Alarm{}, false, 0
	for _, a := range o.alarms {
		if !o.same(a, e, 30) {
			continue
		}
		d := o.minute(a.RaisedAt) - e.from
		if d < 0 {
			d = -d
		}
		if !found || d < gap {
			best, found, gap = a, true, d
		}
	}
	return best, found
}

// verdict on an alarm that the evaluator raised.
type verdict uint8

const (
	right verdict = iota
	borderline
	wrong
)

func (o *outcome) judge(a alerting.Alarm) verdict {
	for _, e := range o.strict {
		if o.same(a, e, 30) {
			return right
		}
	}
	for _, e := range o.allowed {
		if o.same(a, e, 60) {
			return borderline
		}
	}
	return wrong
}

func (o *outcome) describe(a alerting.Alarm) string {
	cause := "-"
	if len(a.Causes) > 0 {
		cause = a.Causes[0].Cause + " " + strings.Join(a.Causes[0].Evidence, "; ")
	}
	return fmt.Sprintf("%s %s %s raised %s (day %.2f after the fault) cleared %s: %s", a.Condition, a.Point, a.Priority, a.RaisedAt.Format("2006-01-02T15:04"),
		a.RaisedAt.Sub(o.faultAt).Hours()/24, a.ClearedAt.Format("01-02T15:04"), cause)
}

// callOuts that the fault led to while it lasted, each with its first alarm.
func (o *outcome) callOuts() []string {
	var ids, first []string
	for _, a := range o.alarms {
		if a.SuppressedBy == "" && !a.RaisedAt.Before(o.faultAt) && a.RaisedAt.Before(o.faultEnd.Add(hour)) && !slices.Contains(ids, a.CallOut) {
			ids = append(ids, a.CallOut)
			first = append(first, o.describe(a))
		}
	}
	return first
}
