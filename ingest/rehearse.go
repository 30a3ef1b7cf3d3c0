package ingest

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"underkeep/alerting"
	"underkeep/ingest/senml"
	"underkeep/store"
	"underkeep/store/site"
)

// Rehearsal is what a recording came to.
type Rehearsal struct {
	Replay   *alerting.Replay
	Lines    int
	Readings int
	Refused  map[store.Reason]int
	Ended    time.Time // receipt of the last line; zero without any
}

// Rehearse runs the evaluator over a recording, in the order of arrival and
// without a database. versions are the descriptions of one property by rising
// effective date. A line that is no recording line is an error that names it;
// a message that cannot be used counts as refused, as it would live.
func Rehearse(versions []site.Property, recording io.Reader) (*Rehearsal, error) {
	all, err := RehearseEach(recording, versions)
	if err != nil {
		return nil, err
	}
	return all[0], nil
}

// RehearseEach reads a recording once and runs an evaluator over it for each
// description of the same property, which may differ in their limits and in
// nothing else.
func RehearseEach(recording io.Reader, descriptions ...[]site.Property) ([]*Rehearsal, error) {
	sites, err := OneSite(descriptions[0]...)
	if err != nil {
		return nil, err
	}
	d := &drafter{checker: NewChecker(sites, senml.Limits{}), id: descriptions[0][0].ID,
		numbers: map[seriesKey]uint16{}, gateways: map[string]uint16{}, refused: map[store.Reason]int{}}
	for i, s := range seriesOf(descriptions[0]) {
		d.numbers[seriesKey{s.Point, s.Quantity}] = uint16(i)
	}
	replays := make([]*alerting.Replay, len(descriptions))
	for i, versions := range descriptions {
		replays[i] = alerting.NewReplay(alerting.Description{Property: d.id, Versions: versions, Series: seriesOf(versions)})
	}
	if err := d.rehearse(recording, replays); err != nil {
		return nil, err
	}
	out := make([]*Rehearsal, len(replays))
	for i, r := range replays {
		out[i] = &Rehearsal{Replay: r, Lines: d.lines, Readings: d.readings, Refused: d.refused, Ended: d.last}
	}
	return out, nil
}

// RehearseStored runs an evaluator over the stored history of a registered
// property, with event times in [from, to), for each description, which may
// differ from d in their limits only. Messages arrive as they did: by the
// receipts of their readings. The evaluator begins at from and knows nothing of
// before: windows, baselines and what it learns of rain fill from there on. It
// ends at to, or at the last receipt where that is later. Refusals, pump tests
// and times in which the service did not listen are part of it, as they were live.
func RehearseStored(ctx context.Context, st *store.Store, d alerting.Description, from, to time.Time, descriptions ...[]site.Property) ([]*Rehearsal, error) {
	out := make([]*Rehearsal, len(descriptions))
	for i, versions := range descriptions {
		own := d
		own.Versions = versions
		out[i] = &Rehearsal{Replay: alerting.NewReplay(own), Refused: map[store.Reason]int{}, Ended: to}
	}
	err := st.EachMessage(ctx, d.Property, from, to, func(m alerting.Message) error {
		for _, r := range out {
			r.Lines++
			r.Readings += len(m.Readings)
			if m.Received.After(r.Ended) {
				r.Ended = m.Received
			}
			if err := r.Replay.Receive(m); err != nil {
				return err
			}
		}
		return nil
	})
	for _, r := range out {
		r.Replay.Pass(r.Ended)
	}
	return out, err
}

type seriesKey struct {
	point    string
	quantity site.Quantity
}

// seriesOf numbers every quantity at every point of a property's versions.
func seriesOf(versions []site.Property) []alerting.Series {
	var out []alerting.Series
	seen := map[seriesKey]bool{}
	for _, v := range versions {
		for _, p := range v.Points {
			for _, q := range p.Measures {
				if k := (seriesKey{p.ID, q}); !seen[k] {
					seen[k] = true
					out = append(out, alerting.Series{Point: p.ID, Quantity: q})
				}
			}
		}
	}
	return out
}

// draft is a stretch of a recording, decoded and checked. Readings stand in one
// piece of memory, from which each message takes its part.
type draft struct {
	messages []draftMessage
	readings []alerting.Reading
}

type draftMessage struct {
	alerting.Message     // without its readings
	from, to         int // its readings in the draft
	line             int
	gateway          string // set where the gateway speaks for the first time
}

// A draft is handed on once it has so many messages or readings.
const (
	draftMessages = 512
	draftReadings = 8192
)

// rehearse decodes in one goroutine and evaluates in this one.
func (d *drafter) rehearse(recording io.Reader, replays []*alerting.Replay) error {
	full, empty, stop := make(chan *draft, 2), make(chan *draft, 4), make(chan struct{})
	decoded := make(chan error, 1)
	for range cap(empty) {
		empty <- &draft{}
	}
	go func() {
		err := d.run(recording, full, empty, stop)
		close(full)
		decoded <- err
	}()
	var err error
	for f := range full {
		if err == nil {
			if err = receive(replays, f); err != nil {
				close(stop)
			}
		}
		f.messages, f.readings = f.messages[:0], f.readings[:0]
		empty <- f
	}
	if e := <-decoded; err == nil {
		err = e
	}
	return err
}

func receive(replays []*alerting.Replay, f *draft) error {
	for i := range f.messages {
		m := &f.messages[i]
		m.Readings = f.readings[m.from:m.to]
		for _, r := range replays {
			if m.gateway != "" {
				r.Evaluator().Gateway(m.gateway) // numbered in the same order here and there
			}
			if err := r.Receive(m.Message); err != nil {
				return fmt.Errorf("line %d of the recording: %w", m.line, err)
			}
		}
	}
	return nil
}

// drafter decodes and checks a recording line by line.
type drafter struct {
	checker  *Checker
	check    check
	reader   lineReader
	id       string
	numbers  map[seriesKey]uint16
	places   []place // by place in a pack
	gateways map[string]uint16
	last     time.Time
	out      *draft

	lines, readings int
	refused         map[store.Reason]int
}

// place remembers which series stood there in the last pack: gateways mostly
// send the same series in the same order.
type place struct {
	seriesKey
	number uint16
}

var errStopped = errors.New("the evaluator has stopped")

func (d *drafter) run(recording io.Reader, full chan<- *draft, empty <-chan *draft, stop <-chan struct{}) error {
	in := bufio.NewScanner(recording)
	in.Buffer(make([]byte, 1<<16), maxLine)
	d.out = <-empty
	for in.Scan() {
		d.lines++
		if err := d.line(in.Bytes()); err != nil {
			full <- d.out // what came before it is evaluated all the same
			return fmt.Errorf("line %d of the recording: %w", d.lines, err)
		}
		if len(d.out.messages) < draftMessages && len(d.out.readings) < draftReadings {
			continue
		}
		full <- d.out
		select {
		case <-stop:
			return errStopped
		case d.out = <-empty:
		}
	}
	full <- d.out
	if err := in.Err(); err != nil {
		return fmt.Errorf("read the recording after line %d: %w", d.lines, err)
	}
	return nil
}

// line adds the message of one line to the draft.
func (d *drafter) line(line []byte) error {
	if len(bytes.TrimSpace(line)) == 0 {
		return nil
	}
	m, err := d.decode(line)
	if err != nil {
		return err
	}
	if m.Received.Before(d.last) {
		return fmt.Errorf("received %s, before the line above it", m.Received.Format(time.RFC3339))
	}
	d.last = m.Received
	for i := range d.check.out.Refused {
		d.refused[d.check.out.Refused[i].Reason]++
	}
	if d.check.out.Property == d.id { // else another property's message, or a foreign topic
		d.add(&d.check.out)
	}
	return nil
}

// decode reads a line into d.check.
func (d *drafter) decode(line []byte) (Message, error) {
	if m, ok := d.reader.guess(line); ok {
		d.checker.decode(m, &d.check)
		if len(d.check.out.Readings) > 0 || len(d.check.out.Refused) == 0 {
			return m, nil
		}
	}
	m, err := parseLine(line)
	if err == nil {
		d.checker.decode(m, &d.check)
	}
	return m, err
}

// add is what the store and the evaluator make of a delivery.
func (d *drafter) add(in *store.Delivery) {
	us := in.Received.UnixMicro()
	m := draftMessage{from: len(d.out.readings), line: d.lines}
	gateway, known := d.gateways[in.Gateway]
	if !known {
		gateway = uint16(len(d.gateways))
		d.gateways[in.Gateway], m.gateway = gateway, in.Gateway
	}
	m.Received = in.Received
	m.Contact = alerting.Contact{At: us, Gateway: gateway, Presence: alerting.Presence(in.Presence)}
	for i := range in.Readings {
		x := &in.Readings[i]
		d.out.readings = append(d.out.readings, alerting.Reading{At: x.At.UnixMicro(), Received: us, Value: x.Value,
			Series: d.number(i, x), Gateway: gateway})
	}
	m.to = len(d.out.readings)
	d.readings += len(in.Readings)
	m.Silent = in.Presence == store.PresenceNone && len(in.Readings) == 0 && len(in.Refused) == 0
	for _, f := range in.Refused {
		if r, ok := store.JudgedRefusal(f.Reason, f.Point); ok {
			r.At, r.Quantity, r.Value, r.Gateway = us, f.Quantity, f.Value, gateway
			m.Refusals = append(m.Refusals, r)
		}
	}
	d.out.messages = append(d.out.messages, m)
}

// number is the evaluator's number of the reading at place i of its pack.
func (d *drafter) number(i int, x *store.Reading) uint16 {
	k := seriesKey{x.Point, x.Quantity}
	if i < len(d.places) && d.places[i].seriesKey == k {
		return d.places[i].number
	}
	n := d.numbers[k]
	switch {
	case i < len(d.places):
		d.places[i] = place{k, n}
	case i == len(d.places):
		d.places = append(d.places, place{k, n})
	}
	return n
}
