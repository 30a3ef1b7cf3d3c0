package main

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// The load of the crash tests: cottages whose gateways send 16 days of readings,
// as after an outage, with humid spells, pump cycles, a flood switch and a leak of
// ground water. What follows from it is fixed before anything is killed.

const (
	crashCottages = 6
	crashDays     = 16
	packEvery     = time.Hour
	sampleEvery   = 15 * time.Minute
)

// crashFile is the property file of cottage i.
func crashFile(i int, end time.Time) string {
	return fmt.Sprintf(`property: %s
name: %d Gannet Row
timezone: America/New_York
installed: %s
dehumidifier: {setpoint: 50 %%RH}
sump:
  basin_diameter: 18 in
  float_on: 12 in
  float_off: 6 in
  high_water: 16 in
  pump: {rated_flow: 3600 gph, at_head: 0 ft, shutoff_head: 22 ft}
  discharge: {pipe: pvc-sch40-1.5in, length: 35 ft, lift: 8 ft, elbows: 3, check_valve: true}
  water_history: damp
points:
  - {id: north-bay, measures: [rh, air-temp], every: 15m}
  - {id: south-bay, measures: [rh, air-temp], every: 15m}
  - {id: sump, measures: [pump-run, high-water]}
  - {id: gauge, measures: [rain], every: 1h}
`, cottage(i), i+1, end.AddDate(0, 0, -crashDays-30).Format(time.DateOnly))
}

func cottage(i int) string { return fmt.Sprintf("gannet-row-%d", i+1) }

// senmlRecord is one record as it goes over the wire.
type senmlRecord struct {
	Name string   `json:"n"`
	Unit string   `json:"u,omitempty"`
	Time float64  `json:"t"`
	V    *float64 `json:"v,omitempty"`
	VB   *bool    `json:"vb,omitempty"`
}

// crashPacks are the packs of cottage i in the order of their time.
func crashPacks(i int, end time.Time) (packs [][]senmlRecord) {
	start := end.AddDate(0, 0, -crashDays)
	for from := start; from.Before(end); from = from.Add(packEvery) {
		hour := int(from.Sub(start) / time.Hour)
		packs = append(packs, crashPack(i, hour, from))
	}
	return packs
}

func crashPack(i, hour int, from time.Time) (pack []senmlRecord) {
	number := func(name, unit string, at time.Time, v float64) {
		pack = append(pack, senmlRecord{Name: name, Unit: unit, Time: float64(at.Unix()), V: &v})
	}
	wet := func(at time.Time, v bool) {
		pack = append(pack, senmlRecord{Name: "sump/high-water", Time: float64(at.Unix()), VB: &v})
	}
	humid := 52 + float64((hour*7+i*3)%5)/2
	if spell := hour % (90 + 7*i); spell > 60 && spell < 75 {
		humid += 16 // above 60 % for 14 h, and above 70 % never for long
	}
	for at := from; at.Before(from.Add(packEvery)); at = at.Add(sampleEvery) {
		number("north-bay/rh", "%RH", at, humid)
		number("north-bay/air-temp", "Cel", at, 19+float64(hour%24)/24)
		number("south-bay/rh", "%RH", at, humid-1.5)
		number("south-bay/air-temp", "Cel", at, 19.5)
	}
	// Some cycles a day; in the last three days ground water, on some also a float
	// that chatters.
	every := 3 + i%2
	if hour >= (crashDays-3)*24 {
		every = 1
	}
	if hour%every == 0 {
		for k := range 4 / every {
			number("sump/pump-run", "s", from.Add(time.Duration(k)*14*time.Minute+90*time.Second), 14)
		}
	}
	if hour%(150+i) == 140 {
		for k := range 8 {
			number("sump/pump-run", "s", from.Add(time.Duration(k)*150*time.Second+6*time.Minute), 3)
		}
		wet(from.Add(30*time.Minute), true)
		wet(from.Add(45*time.Minute), false)
	}
	number("gauge/rain", "mm", from.Add(packEvery-time.Second), 0)
	return pack
}

// load is all gateways with what they have sent.
type load struct {
	gateways []*loadGateway
	total    int64
	acked    atomic.Int64
	resent   atomic.Int64
	limit    atomic.Int64 // gateways pause when so many packs are acknowledged
}

func newLoad(end time.Time) *load {
	l := &load{}
	for i := range crashCottages {
		g := &loadGateway{load: l, property: cottage(i)}
		for _, pack := range crashPacks(i, end) {
			payload, err := json.Marshal(pack)
			if err != nil {
				panic(err) // plain numbers
			}
			g.payloads = append(g.payloads, payload)
			g.packs = append(g.packs, pack)
		}
		g.acked = make([]bool, len(g.payloads))
		l.gateways = append(l.gateways, g)
		l.total += int64(len(g.payloads))
	}
	return l
}

// run has every gateway send all it has; it returns when all is acknowledged.
func (l *load) run(ctx context.Context, address string) error {
	var wg sync.WaitGroup
	l.acked.Store(0)
	for _, g := range l.gateways {
		wg.Go(func() { g.run(ctx, address) })
	}
	wg.Wait()
	if ctx.Err() != nil {
		return fmt.Errorf("only %d of %d packs were acknowledged: %w", l.acked.Load(), l.total, ctx.Err())
	}
	return nil
}

// inSteps lets the load on in n steps and calls f in the middle of each, so that
// every call comes under load, however fast the load goes and however long f takes.
func (l *load) inSteps(ctx context.Context, n int, f func(step int)) {
	defer l.limit.Store(l.total)
	for step := range n {
		l.limit.Store(l.total * int64(step+1) / int64(n))
		if !l.awaitAcked(ctx, l.total*int64(2*step+1)/int64(2*n)) {
			return
		}
		f(step)
	}
}

// paced lets the load on by so many packs a tick, a rate that the service keeps up
// with, and calls f at each.
func (l *load) paced(ctx context.Context, packs int64, tick time.Duration, f func(sent int64)) {
	defer l.limit.Store(l.total)
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	for sent := packs; sent < l.total; sent += packs {
		l.limit.Store(sent)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		f(sent)
	}
}

// awaitAcked waits until so many packs are acknowledged.
func (l *load) awaitAcked(ctx context.Context, n int64) bool {
	return poll(ctx, func() bool { return l.acked.Load() >= n })
}

// awaitRoom waits while the load is held.
func (l *load) awaitRoom(ctx context.Context) {
	poll(ctx, func() bool { return l.acked.Load() < l.limit.Load() || l.limit.Load() == l.total })
}

func poll(ctx context.Context, holds func() bool) bool {
	for !holds() {
		select {
		case <-ctx.Done():
			return false
		case <-time.After(5 * time.Millisecond):
		}
	}
	return true
}

// loadGateway sends like a gateway that keeps what was not acknowledged: in order,
// some packs on their way at once, all of them again on a new connection.
type loadGateway struct {
	load               *load
	property           string
	username, password string
	payloads           [][]byte
	packs              [][]senmlRecord
	acked              []bool
	first              int // where the next run begins
}

// again has the next run send the packs from first on once more.
func (g *loadGateway) again(first int) { g.first = first }

const inFlight = 16

func (g *loadGateway) run(ctx context.Context, address string) {
	for next := g.first; next < len(g.payloads) && ctx.Err() == nil; {
		client, lost, err := g.connect(address)
		if err != nil {
			select {
			case <-ctx.Done():
			case <-time.After(50 * time.Millisecond): // a gateway's own pause between attempts
			}
			continue
		}
		for next < len(g.payloads) {
			g.load.awaitRoom(ctx)
			done := g.sendWindow(ctx, client, lost, next)
			next += done
			if next < len(g.payloads) && done < inFlight {
				break // the connection is no good any more
			}
		}
		client.Disconnect(0)
	}
}

func (g *loadGateway) connect(address string) (mqtt.Client, chan struct{}, error) {
	lost := make(chan struct{})
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID(g.property).
		SetUsername(g.username).SetPassword(g.password).SetAutoReconnect(false).
		SetConnectTimeout(5 * time.Second).SetWriteTimeout(10 * time.Second).
		SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) }))
	token := client.Connect()
	if !token.WaitTimeout(10 * time.Second) {
		client.Disconnect(0)
		return nil, nil, context.DeadlineExceeded
	}
	return client, lost, token.Error()
}

// sendWindow sends the packs from next on and returns how many of them, counted
// from the first, were acknowledged.
func (g *loadGateway) sendWindow(ctx context.Context, client mqtt.Client, lost chan struct{}, next int) (done int) {
	last := min(next+inFlight, len(g.payloads))
	var tokens []mqtt.Token
	for _, payload := range g.payloads[next:last] {
		tokens = append(tokens, client.Publish("underkeep/1/"+g.property+"/gw/readings", 1, false, payload))
	}
	for i, token := range tokens {
		select {
		case <-token.Done():
		case <-lost:
		case <-ctx.Done():
		case <-time.After(30 * time.Second):
		}
		select {
		case <-token.Done():
		default:
			g.load.resent.Add(int64(len(tokens) - i))
			return i
		}
		if token.Error() != nil {
			g.load.resent.Add(int64(len(tokens) - i))
			return i
		}
		g.acked[next+i] = true
		g.load.acked.Add(1)
	}
	return len(tokens)
}
