package simulate

import (
	"strconv"
	"time"

	"underkeep/store/site"
)

// Message as the broker delivers it: one line of a recording.
type Message struct {
	Received time.Time
	Topic    string
	Payload  []byte // a SenML pack, or the bare words online and offline for presence
	Presence bool
	Records  int // in the pack

	space *Space
	part  []record
}

// Reading is one record of a pack in the clear.
type Reading struct {
	Point    string
	Quantity site.Quantity
	At       time.Time // by the gateway's clock, ms
	Value    float64
}

// Each hands over the pack's records; only while the message is being emitted.
func (m Message) Each(do func(Reading)) {
	for _, r := range m.part {
		c := &m.space.channels[r.channel]
		do(Reading{m.space.property.Points[c.point].ID, c.quantity, time.UnixMilli(r.atMS).UTC(), r.value})
	}
}

// record waits in the gateway to be sent.
type record struct {
	channel int32
	atMS    int64 // by the gateway's own clock
	value   float64
}

// gateway gathers records, stores them while it is cut off, and forwards.
type gateway struct {
	name      string
	topic     string
	presence  string
	everyS    int64
	waiting   []record
	lastPack  int64
	up        bool  // the broker has a connection
	lostAt    int64 // when the connection went, 0: not
	announced bool  // the broker has told of the loss
	gridLost  int64 // when the mains went, 0: present
	clockMS   int64 // error of its clock
	dropped   int   // records lost because its store was full
	packs     uint64
	buf       []byte
}

const (
	keepAliveS = 90  // the broker notices a lost connection after this
	packMost   = 400 // records in one pack
)

func newGateway(property string, c Comms) gateway {
	return gateway{
		name:     c.Gateway,
		topic:    "underkeep/1/" + property + "/" + c.Gateway + "/readings",
		presence: "underkeep/1/" + property + "/" + c.Gateway + "/presence",
		everyS:   int64(c.PackEvery / time.Second),
	}
}

// alive says whether the gateway itself works: it has mains or its battery.
func (s *Space) gatewayAlive(unix int64) bool {
	g := &s.gate
	if s.gridLive() {
		g.gridLost = 0
	} else if g.gridLost == 0 {
		g.gridLost = unix
	}
	if s.wrong.has(GatewayDead) {
		return false
	}
	return g.gridLost == 0 || unix-g.gridLost < int64(s.comms.BatteryBackup/time.Second)
}

func (s *Space) uplink() bool {
	return !s.wrong.has(UplinkDown) && (s.gridLive() || !s.comms.UplinkNeedsGrid)
}

// keep puts a record into the store; a full store loses the oldest.
func (s *Space) keep(channel int, atMS int64, value float64) {
	g := &s.gate
	if len(g.waiting) >= s.comms.StoreRecords {
		cut := len(g.waiting) / 10
		g.dropped += cut
		g.waiting = append(g.waiting[:0], g.waiting[cut:]...)
	}
	g.waiting = append(g.waiting, record{int32(channel), atMS + g.clockMS, value})
}

// transmit sends what is due at the end of a minute.
func (s *Space) transmit(unix int64, alive bool, emit func(Message)) {
	g := &s.gate
	s.heard = false
	if !alive || !s.uplink() {
		s.connectionLost(unix, emit)
		return
	}
	latency := time.Duration(between(s.seed, 9, uint64(unix), 600, 3500)) * time.Millisecond
	at := time.Unix(unix, 0).UTC().Add(latency)
	if !g.up {
		g.up, g.lostAt, g.announced = true, 0, false
		emit(Message{Received: at, Topic: g.presence, Payload: []byte("online"), Presence: true})
		s.heard = true
	}
	if len(g.waiting) == 0 || unix-g.lastPack < g.everyS {
		return
	}
	s.forward(at, emit)
	g.lastPack = unix
}

func (s *Space) connectionLost(unix int64, emit func(Message)) {
	g := &s.gate
	if g.up {
		g.up, g.lostAt = false, unix
	}
	if g.lostAt != 0 && !g.announced && unix-g.lostAt >= keepAliveS {
		g.announced = true
		emit(Message{Received: time.Unix(unix, 0).UTC(), Topic: g.presence, Payload: []byte("offline"), Presence: true})
	}
}

// forward empties the store in packs, oldest first; now and then one goes twice.
func (s *Space) forward(at time.Time, emit func(Message)) {
	g := &s.gate
	for from := 0; from < len(g.waiting); from += packMost {
		part := g.waiting[from:min(from+packMost, len(g.waiting))]
		m := Message{Received: at, Topic: g.topic, Records: len(part), space: s, part: part}
		if !s.mute {
			m.Payload = s.encode(part)
		}
		emit(m)
		at = at.Add(40 * time.Millisecond)
		g.packs++
		if uniform(s.seed, 11, g.packs) < s.comms.DuplicateShare {
			m.Received = at
			emit(m)
			at = at.Add(40 * time.Millisecond)
		}
	}
	g.waiting = g.waiting[:0]
	s.heard = true
}

// encode writes a SenML pack (RFC 8428). Times are absolute: either a base time
// with offsets, or every record its own.
func (s *Space) encode(part []record) []byte {
	b := append(make([]byte, 0, 64*len(part)+64), '[')
	base := part[0].atMS / 1000
	for i, r := range part {
		c := &s.channels[r.channel]
		if i > 0 {
			b = append(b, ',')
		}
		if s.comms.AbsoluteTimes {
			b = append(b, c.prefix...)
			b = append(b, `"t":`...)
			b = appendSeconds(b, r.atMS)
			b = append(b, ',')
		} else {
			b = s.appendBased(b, c, r, base, i == 0)
		}
		b = appendValue(b, c, r.value)
	}
	return append(b, ']')
}

func (s *Space) appendBased(b []byte, c *channel, r record, base int64, first bool) []byte {
	if first {
		b = append(b, `{"bt":`...)
		b = strconv.AppendInt(b, base, 10)
		b = append(b, ',')
		b = append(b, c.prefix[1:]...)
	} else {
		b = append(b, c.prefix...)
	}
	if off := r.atMS - base*1000; off != 0 {
		b = append(b, `"t":`...)
		b = appendSeconds(b, off)
		b = append(b, ',')
	}
	return b
}

// appendSeconds writes milliseconds as seconds without trailing zeros.
func appendSeconds(b []byte, ms int64) []byte {
	if ms < 0 {
		b = append(b, '-')
		ms = -ms
	}
	b = strconv.AppendInt(b, ms/1000, 10)
	if f := ms % 1000; f != 0 {
		b = append(b, '.', byte('0'+f/100))
		if f%100 != 0 {
			b = append(b, byte('0'+f/10%10))
			if f%10 != 0 {
				b = append(b, byte('0'+f%10))
			}
		}
	}
	return b
}

func appendValue(b []byte, c *channel, v float64) []byte {
	if c.quantity.Spec().Boolean {
		if v != 0 {
			return append(b, `"vb":true}`...)
		}
		return append(b, `"vb":false}`...)
	}
	b = append(b, `"v":`...)
	b = appendDecimal(b, v, c.places)
	return append(b, '}')
}

// appendDecimal writes a value that is already rounded to places (0-2).
func appendDecimal(b []byte, v float64, places int) []byte {
	scale := [...]float64{1, 10, 100}[places]
	n := int64(v*scale + 0.5)
	if v < 0 {
		n = int64(v*scale - 0.5)
		if n != 0 {
			b = append(b, '-')
		}
		n = -n
	}
	unit := int64(scale)
	b = strconv.AppendInt(b, n/unit, 10)
	switch f := n % unit; {
	case f == 0:
	case places == 1 || f%10 == 0 && places == 2:
		if places == 2 {
			f /= 10
		}
		b = append(b, '.', byte('0'+f))
	default:
		b = append(b, '.', byte('0'+f/10), byte('0'+f%10))
	}
	return b
}

// gridLive says whether the house has power.
func (s *Space) gridLive() bool { return !s.wrong.has(MainsDown) }

// outletLive says whether the outlet of a circuit has power; "" is the house.
func (s *Space) outletLive(circuit string) bool {
	switch {
	case !s.gridLive():
		return false
	case circuit == "pump":
		return !s.wrong.has(PumpBreaker)
	case circuit == "dehumidifier":
		return !s.wrong.has(DehumidifierBreaker)
	}
	return true
}

// stateOf is a channel that is reported on change, as 0 or 1.
func (s *Space) stateOf(c *channel) (float64, bool) {
	pt := &s.property.Points[c.point]
	switch c.quantity {
	case site.Mains:
		return flag(s.outletLive(pt.Circuit)), true
	case site.Leak:
		return flag(s.leakWet), true
	}
	return 0, false
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
