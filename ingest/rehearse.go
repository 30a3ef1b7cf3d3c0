package ingest

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

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
}

// maxLine bounds one line of a recording.
const maxLine = 32 << 20

// Rehearse runs the evaluator over a recording, in the order of arrival and
// without a database. versions are the descriptions of one property by rising
// effective date. A line that is no recording line is an error that names it;
// a message that cannot be used counts as refused, as it would live.
func Rehearse(versions []site.Property, recording io.Reader) (*Rehearsal, error) {
	sites, err := OneSite(versions...)
	if err != nil {
		return nil, err
	}
	r := &rehearsal{checker: NewChecker(sites, senml.Limits{}), series: map[seriesKey]uint16{},
		out: &Rehearsal{Refused: map[store.Reason]int{}}, id: versions[0].ID}
	d := alerting.Description{Property: versions[0].ID, Versions: versions, Series: seriesOf(versions)}
	for i, s := range d.Series {
		r.series[seriesKey{s.Point, s.Quantity}] = uint16(i)
	}
	r.out.Replay = alerting.NewReplay(d)
	return r.out, r.run(recording)
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

type rehearsal struct {
	checker *Checker
	series  map[seriesKey]uint16
	out     *Rehearsal
	id      string
	last    time.Time
}

func (r *rehearsal) run(recording io.Reader) error {
	in := bufio.NewScanner(recording)
	in.Buffer(make([]byte, 1<<16), maxLine)
	for in.Scan() {
		r.out.Lines++
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		m, err := parseLine(in.Bytes())
		if err != nil {
			return fmt.Errorf("line %d of the recording: %w", r.out.Lines, err)
		}
		if m.Received.Before(r.last) {
			return fmt.Errorf("line %d of the recording: received %s, before the line above it", r.out.Lines, m.Received.Format(time.RFC3339))
		}
		r.last = m.Received
		if err := r.take(m); err != nil {
			return fmt.Errorf("line %d of the recording: %w", r.out.Lines, err)
		}
	}
	if err := in.Err(); err != nil {
		return fmt.Errorf("read the recording after line %d: %w", r.out.Lines, err)
	}
	return nil
}

// take hands one message to the evaluator, as the store would.
func (r *rehearsal) take(m Message) error {
	d := r.checker.Decode(m)
	for _, f := range d.Refused {
		r.out.Refused[f.Reason]++
	}
	if d.Property != r.id {
		return nil // another property's message, or a foreign topic
	}
	return r.out.Replay.Receive(r.message(&d))
}

func (r *rehearsal) message(d *store.Delivery) alerting.Message {
	us := d.Received.UnixMicro()
	gateway := r.out.Replay.Evaluator().Gateway(d.Gateway)
	m := alerting.Message{Received: d.Received, Contact: alerting.Contact{At: us, Gateway: gateway, Presence: alerting.Presence(d.Presence)}}
	m.Readings = make([]alerting.Reading, 0, len(d.Readings))
	for i := range d.Readings {
		x := &d.Readings[i]
		m.Readings = append(m.Readings, alerting.Reading{At: x.At.UnixMicro(), Received: us, Value: x.Value,
			Series: r.series[seriesKey{x.Point, x.Quantity}], Gateway: gateway})
	}
	r.out.Readings += len(m.Readings)
	m.Silent = d.Presence == store.PresenceNone && len(d.Readings) == 0 && len(d.Refused) == 0
	for _, f := range d.Refused {
		m.Refusals = append(m.Refusals, alerting.Refusal{At: us, Point: f.Point, Quantity: f.Quantity, Value: f.Value, Gateway: gateway,
			Impossible: f.Reason == store.ReasonImpossible})
	}
	return m
}

// parseLine reads {"received":…,"topic":…,"payload":…}; the payload of a
// readings topic stays as it is, that of a presence topic is a string.
func parseLine(line []byte) (Message, error) {
	var l struct {
		Received *time.Time      `json:"received"`
		Topic    string          `json:"topic"`
		Payload  json.RawMessage `json:"payload"`
	}
	if err := json.Unmarshal(line, &l); err != nil {
		return Message{}, fmt.Errorf("not a recorded message: %w", err)
	}
	if l.Received == nil || l.Topic == "" || l.Payload == nil {
		return Message{}, errors.New("a recorded message has received, topic and payload")
	}
	m := Message{Topic: l.Topic, Payload: l.Payload, Received: l.Received.UTC()}
	if l.Payload[0] == '"' {
		var text string
		if err := json.Unmarshal(l.Payload, &text); err != nil {
			return Message{}, fmt.Errorf("payload: %w", err)
		}
		m.Payload = []byte(text)
	}
	return m, nil
}

// OpenRecording opens a recording, plain or compressed by its name (.gz, .zst).
func OpenRecording(name string) (io.ReadCloser, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	switch {
	case strings.HasSuffix(name, ".gz"):
		z, err := gzip.NewReader(bufio.NewReaderSize(f, 1<<16))
		if err != nil {
			return nil, errors.Join(fmt.Errorf("open %s: %w", name, err), f.Close())
		}
		return unpacked{z, f}, nil
	case strings.HasSuffix(name, ".zst"):
		z, err := zstd.NewReader(f)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("open %s: %w", name, err), f.Close())
		}
		return unpacked{z.IOReadCloser(), f}, nil
	}
	return f, nil
}

type unpacked struct {
	io.Reader
	file *os.File
}

func (u unpacked) Close() error { return u.file.Close() }
