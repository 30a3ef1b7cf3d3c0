package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// writeSides writes what goes with a batch's readings: due rows that the
// insert has not written itself, contacts, quarantine.
func writeSides(ctx context.Context, tx pgx.Tx, b *batch) error {
	var q pgx.Batch
	queueDue(&q, b)
	queueContacts(&q, b.contacts)
	queueContacts(&q, b.extraContacts)
	queueQuarantine(&q, b.refused)
	queueQuarantine(&q, b.found)
	if q.Len() == 0 {
		return nil
	}
	if err := tx.SendBatch(ctx, &q).Close(); err != nil {
		return fmt.Errorf("due, contacts and quarantine: %w", err)
	}
	return nil
}

func queueDue(q *pgx.Batch, b *batch) {
	for _, set := range [][]refused{b.refused, b.found} {
		for i := range set {
			b.noteOther(set[i].property, set[i].received)
		}
	}
	for k, received := range b.contacts {
		if k.presence != PresenceNone {
			b.noteOther(k.property, received)
		}
	}
	if len(b.earliest) == 0 {
		return
	}
	n := len(b.earliest)
	properties, earliest, received := make([]int32, 0, n), make([]pgtype.Timestamptz, 0, n), make([]time.Time, 0, n)
	for p, d := range b.earliest {
		properties = append(properties, p)
		earliest = append(earliest, pgtype.Timestamptz{Time: timeOfMicros(d.at), Valid: d.at != math.MaxInt64})
		received = append(received, timeOfMicros(d.received))
	}
	q.Queue(`INSERT INTO due (property_id, earliest_at, received_at)
		SELECT * FROM unnest($1::int4[], $2::timestamptz[], $3::timestamptz[])`, properties, earliest, received)
}

// noteOther makes a property due for something that is not a reading.
func (b *batch) noteOther(property int32, received int64) {
	if property == 0 {
		return
	}
	if b.earliest == nil {
		b.earliest = map[int32]dueFrom{}
	}
	if _, ok := b.earliest[property]; !ok {
		b.earliest[property] = dueFrom{math.MaxInt64, received}
	}
}

func queueContacts(q *pgx.Batch, contacts map[contactKey]int64) {
	if len(contacts) == 0 {
		return
	}
	n := len(contacts)
	properties, gateways, presences := make([]int32, 0, n), make([]int16, 0, n), make([]int16, 0, n)
	heard := make([]time.Time, 0, n)
	for k, at := range contacts {
		properties, gateways = append(properties, k.property), append(gateways, k.gateway)
		presences, heard = append(presences, int16(k.presence)), append(heard, timeOfMicros(at))
	}
	q.Queue(`INSERT INTO contact (property_id, gateway_id, presence, heard_at)
		SELECT * FROM unnest($1::int4[], $2::int2[], $3::int2[], $4::timestamptz[]) ON CONFLICT DO NOTHING`,
		properties, gateways, presences, heard)
}

func queueQuarantine(q *pgx.Batch, set []refused) {
	type content struct {
		property int32
		hash     [32]byte
	}
	written := map[content]bool{} // many records of one pack share its payload
	for i := range set {
		r := &set[i]
		if r.PayloadHash == [32]byte{} {
			r.PayloadHash = sha256.Sum256(r.Payload)
		}
		if c := (content{r.property, r.PayloadHash}); !written[c] {
			written[c] = true
			payload := append([]byte{}, r.Payload[:min(len(r.Payload), MaxQuarantinePayload)]...)
			q.Queue(`INSERT INTO quarantine_payload (property_id, payload_sha256, payload_bytes, payload)
				VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
				r.property, r.PayloadHash[:], max(r.PayloadBytes, len(payload)), payload)
		}
		print := r.fingerprint()
		q.Queue(`INSERT INTO quarantine (property_id, fingerprint, received_at, topic, reason, detail, payload_sha256, point, quantity, at, value)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT DO NOTHING`,
			r.property, print[:], timeOfMicros(r.received), cutText(r.Topic, 1000), string(r.Reason), cutText(r.Detail, 1000),
			r.PayloadHash[:], nullText(r.Point), nullQuantity(r), nullTime(r.At), nullFinite(r.Value))
	}
}

// fingerprint is the same for a refusal and its redelivery. What carries no
// time of its own counts once an hour, so that a gateway stuck on the same
// unusable message does not fill the quarantine.
func (r *refused) fingerprint() [32]byte {
	h := sha256.New()
	when := r.At.UnixMicro()
	if r.At.IsZero() {
		when = timeOfMicros(r.received).Truncate(time.Hour).UnixMicro()
	}
	fmt.Fprintf(h, "%q %q %q %d ", r.Topic, r.Reason, r.Point, r.Quantity)
	var b [16]byte
	binary.BigEndian.PutUint64(b[:8], uint64(when))
	binary.BigEndian.PutUint64(b[8:], math.Float64bits(r.Value))
	h.Write(b[:])
	h.Write(r.PayloadHash[:])
	return [32]byte(h.Sum(nil))
}

// refusalOf turns a reading that came too far into a refusal. Without the raw
// message, a pack of just this record stands for it.
func refusalOf(d *Delivery, r *Reading, reason Reason, detail string) *Refusal {
	topic, payload := d.Topic, d.Payload
	if topic == "" {
		topic = "underkeep/1/" + d.Property + "/" + d.Gateway + "/readings"
	}
	if payload == nil {
		payload = packOf(r)
	}
	return &Refusal{
		Topic: topic, Payload: payload, PayloadBytes: len(payload), PayloadHash: sha256.Sum256(payload),
		Reason: reason, Detail: detail, Point: r.Point, Quantity: r.Quantity, At: r.At, Value: r.Value,
	}
}

// packOf writes a reading as a SenML pack of one record.
func packOf(r *Reading) []byte {
	spec := r.Quantity.Spec()
	record := map[string]any{"n": r.Point + "/" + spec.Name, "t": float64(r.At.UnixMicro()) / 1e6}
	switch {
	case spec.Boolean:
		record["vb"] = r.Value != 0
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		record["vs"] = fmt.Sprint(r.Value)
	default:
		record["v"] = r.Value
	}
	if len(spec.Units) > 0 {
		record["u"] = spec.Units[0]
	}
	out, err := json.Marshal([]any{record})
	if err != nil { // strings, numbers and a Boolean always marshal
		panic("store: pack of one record: " + err.Error())
	}
	return out
}

// cutText makes text fit for a column of at most n characters.
func cutText(s string, n int) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n])
}

func nullText(s string) any {
	if s == "" {
		return nil
	}
	return cutText(s, 200)
}

func nullQuantity(r *refused) any {
	if r.Quantity == 0 {
		return nil
	}
	return int16(r.Quantity)
}

// nullTime drops times that timestamptz or people cannot make sense of; the
// payload still has them.
func nullTime(t time.Time) any {
	if t.IsZero() || t.Year() < 1 || t.Year() > 9999 {
		return nil
	}
	return t
}

func nullFinite(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}
