package ingest

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"underkeep/ingest/senml"
	"underkeep/store"
	"underkeep/store/site"
)

// MaxAhead is how far in the future of its receipt a reading may claim to be.
const MaxAhead = 10 * time.Minute

// MaxRefusals is how many refused records of one message are named one by one;
// the last refusal says how many more there were.
const MaxRefusals = 1000

// Checker turns messages into deliveries. It may be used by several goroutines.
type Checker struct {
	sites    Sites
	decoders sync.Pool
}

// NewChecker checks against sites; packs beyond limits are refused as too large.
func NewChecker(sites Sites, limits senml.Limits) *Checker {
	return &Checker{sites: sites, decoders: sync.Pool{New: func() any { return senml.NewDecoder(limits) }}}
}

// Decode checks one message against sites, with the default limits. received is
// the time of receipt; nothing else is read from a clock, so the same message
// always comes to the same delivery.
func Decode(sites Sites, topic string, payload []byte, received time.Time) store.Delivery {
	return NewChecker(sites, senml.Limits{}).Decode(Message{Topic: topic, Payload: payload, Received: received})
}

// Decode decodes and checks one message. The delivery holds the good records of
// a pack and a refusal for each of the others; it shares the message's payload.
func (c *Checker) Decode(m Message) store.Delivery {
	var k check
	c.decode(m, &k)
	return k.out
}

// decode is Decode with memory that was used before: the delivery is k.out, and
// its readings are valid until k is used again.
func (c *Checker) decode(m Message, k *check) {
	property, gateway, kind := ParseTopic(m.Topic)
	*k = check{message: m, latest: k.latest, out: store.Delivery{
		Property: property, Gateway: gateway, Received: m.Received, Topic: clean(m.Topic, 512), Payload: m.Payload,
		Readings: k.out.Readings[:0],
	}}
	if len(m.Payload) > store.MaxQuarantinePayload {
		// A record refused by the database is rare; holding a whole pack of this
		// size for it is not worth the memory.
		k.out.Payload = nil
	}
	if kind == KindForeign {
		k.refuse(store.ReasonWrongTopic, "topic is not underkeep/1/<property>/<gateway>/readings or /presence")
		return
	}
	s, ok := c.sites.Site(property)
	if !ok {
		k.refuse(store.ReasonUnknownProperty, fmt.Sprintf("property %s is not registered", property))
		return
	}
	if s.gateway != nil && !s.gateway(gateway) {
		k.refuse(store.ReasonUnknownGateway, fmt.Sprintf("gateway %s was not added to property %s, or was revoked", gateway, property))
		return
	}
	k.site = s
	if kind == KindPresence {
		k.presence()
		return
	}
	d := c.decoders.Get().(*senml.Decoder)
	records, err := d.Decode(m.Payload)
	k.pack(records, err)
	if len(records) <= 4096 { // one huge pack should not pin its memory for good
		c.decoders.Put(d)
	}
}

// check is the work on one message.
type check struct {
	message Message
	site    *Site
	out     store.Delivery
	refused int                    // records refused, named or not
	hash    [32]byte               // of the payload, once something was refused
	raw     []byte                 // the payload as quarantine keeps it, likewise
	several bool                   // the pack has more than one record
	latest  []int64                // by series: µs of the latest reading, to see repeats
	known   map[seriesTime]float64 // once times do not rise, every reading so far
}

type seriesTime struct {
	series int
	at     int64
}

func (k *check) presence() {
	switch string(k.message.Payload) {
	case "online":
		if !k.message.Retained { // seen again, it is no sign of life
			k.out.Presence = store.PresenceOnline
		}
	case "offline":
		k.out.Presence = store.PresenceOffline
	case "": // deletes a retained message
	default:
		k.refuse(store.ReasonWrongType, fmt.Sprintf("presence is online or offline, not %s", quote(string(k.message.Payload))))
	}
}

func (k *check) pack(records []senml.Record, err error) {
	if err != nil {
		reason := store.ReasonNotSenML
		if errors.Is(err, senml.ErrTooLarge) || errors.Is(err, senml.ErrTooManyRecords) {
			reason = store.ReasonTooLarge
		}
		k.refuse(reason, err.Error())
		return
	}
	if k.out.Readings == nil || cap(k.out.Readings) < len(records) {
		k.out.Readings = make([]store.Reading, 0, len(records))
	}
	k.several = len(records) > 1
	if n := len(k.site.series); k.several && cap(k.latest) < n {
		k.latest = make([]int64, n)
	} else if k.several {
		k.latest = k.latest[:n]
		clear(k.latest)
	}
	for i := range records {
		k.record(&records[i], i)
	}
	if more := k.refused - MaxRefusals; more > 0 {
		k.out.Refused[MaxRefusals-1].Detail += fmt.Sprintf("; and %d more records of this pack", more)
	}
}

func (k *check) record(r *senml.Record, index int) {
	if r.Problem != senml.OK {
		k.refuseRecord(r, index, problemReason(r.Problem), r.Problem.String())
		return
	}
	s, ok := k.site.series[r.Name]
	if !ok {
		reason, why := k.site.unknown(r.Name)
		k.refuseRecord(r, index, reason, why)
		return
	}
	value, reason, why := measure(r, &s.spec)
	if reason == "" {
		var at time.Time
		var relative bool
		if at, relative, reason, why = k.when(r, &s.spec); reason == "" {
			k.accept(r, index, s, store.Reading{Point: s.point, Quantity: s.quantity, At: at, Value: value, AtReceipt: relative})
			return
		}
		k.refuseSeries(r, index, reason, why, s, at, value)
		if s.spec.Urgent && !k.message.Retained {
			// A gateway whose clock was reset must not hide water: the state counts
			// from its receipt on, and the refusal keeps what the record claimed.
			k.accept(r, index, s, store.Reading{Point: s.point, Quantity: s.quantity, At: k.atReceipt(index), Value: value, AtReceipt: true})
		}
		return
	}
	at, _, _ := r.At(k.message.Received)
	k.refuseSeries(r, index, reason, why, s, at, value)
}

// atReceipt is the time of receipt, a microsecond later for each record of the
// pack: their order stands, and a dry record does not shut out the wet one
// behind it as a conflict.
func (k *check) atReceipt(index int) time.Time {
	return k.message.Received.Truncate(time.Microsecond).Add(time.Duration(index) * time.Microsecond).UTC()
}

// problemReason sorts a record's own problem into the bounded set of reasons.
func problemReason(p senml.Problem) store.Reason {
	switch p {
	case senml.NotFinite:
		return store.ReasonImpossible
	case senml.WrongType, senml.NoValue, senml.ManyValues:
		return store.ReasonWrongType
	}
	return store.ReasonNotSenML
}

// unknown says which half of a name the property lacks.
func (s *Site) unknown(name string) (store.Reason, string) {
	point, quantity, ok := strings.Cut(name, "/")
	switch {
	case !ok:
		return store.ReasonUnknownPoint, "a name is <point>/<quantity>"
	case !s.points[point]:
		return store.ReasonUnknownPoint, "the property has no such point"
	}
	if _, ok := site.ParseQuantity(quantity); !ok {
		return store.ReasonUnknownQuantity, "no such quantity"
	}
	return store.ReasonUnknownQuantity, "the point does not measure it"
}

// measure takes the record's value in the stored unit.
func measure(r *senml.Record, spec *site.Spec) (float64, store.Reason, string) {
	if spec.Boolean {
		if r.Kind != senml.KindBool {
			return 0, store.ReasonWrongType, "the value is a Boolean, vb"
		}
		if r.Bool {
			return 1, "", ""
		}
		return 0, "", ""
	}
	if r.Kind != senml.KindNumber {
		return 0, store.ReasonWrongType, "the value is a number, v"
	}
	for i, u := range spec.Units {
		if u != r.Unit {
			continue
		}
		v := r.Value * spec.Scale[i]
		if !(v >= spec.Min && v <= spec.Max) {
			return v, store.ReasonImpossible, fmt.Sprintf("possible are %g to %g %s", spec.Min, spec.Max, spec.Units[0])
		}
		return v + 0, "", "" // + 0: no negative zero
	}
	return r.Value, store.ReasonWrongUnit, fmt.Sprintf("the unit is %s", strings.Join(spec.Units, " or "))
}

// when resolves the record's time and checks it. Times that are relative or
// missing would make an event count twice when it is delivered again.
func (k *check) when(r *senml.Record, spec *site.Spec) (at time.Time, relative bool, reason store.Reason, why string) {
	at, relative, ok := r.At(k.message.Received)
	switch {
	case relative && (spec.Event || k.message.Retained):
		return at, true, store.ReasonTimeRelative, "an absolute time is needed: delivered again, it would count twice"
	case at.After(k.message.Received.Add(MaxAhead)) || !ok && r.Time > 0:
		return at, relative, store.ReasonTimeAhead, fmt.Sprintf("at most %v ahead of its receipt", MaxAhead)
	case at.Before(k.site.acceptsFrom) || !ok:
		return at, relative, store.ReasonTimeTooEarly, fmt.Sprintf("the property was installed on %s", k.site.acceptsFrom.Format(time.DateOnly))
	}
	return at, relative, "", ""
}

// accept takes the reading unless the pack has given another value for the same
// time; the same value again is left out.
func (k *check) accept(r *senml.Record, index int, s *series, reading store.Reading) {
	if k.several {
		first, repeated := k.repeat(s.index, reading.At.UnixMicro(), reading.Value)
		if repeated && first != reading.Value {
			k.refuseSeries(r, index, store.ReasonConflict, fmt.Sprintf("the same pack says %g for this time before", first), s, reading.At, reading.Value)
		}
		if repeated {
			return
		}
	}
	k.out.Readings = append(k.out.Readings, reading)
}

// repeat says whether the pack has had this series at this time, and with which
// value. Gateways send in order of time, so remembering the latest of each
// series mostly suffices; the map is built for packs that do otherwise.
func (k *check) repeat(index int, at int64, value float64) (float64, bool) {
	if k.known == nil {
		if at > k.latest[index] {
			k.latest[index] = at
			return 0, false
		}
		k.known = make(map[seriesTime]float64, 2*len(k.out.Readings))
		for i := range k.out.Readings {
			r := &k.out.Readings[i]
			s := k.site.series[r.Point+"/"+r.Quantity.String()]
			k.known[seriesTime{s.index, r.At.UnixMicro()}] = r.Value
		}
	}
	key := seriesTime{index, at}
	if first, ok := k.known[key]; ok {
		return first, true
	}
	k.known[key] = value
	return 0, false
}
