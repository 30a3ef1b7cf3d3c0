package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting"
	"underkeep/store/site"
)

// replaySQL streams readings as they came: those of one message share receipt
// and gateway, whatever their event times. Late data keeps its late receipt.
const replaySQL = `SELECT series_id, gateway_id, at, value, received_at FROM readings
	WHERE property_id = $1 AND at >= $2 AND at < $3 ORDER BY received_at, gateway_id, at, series_id`

// Description of a registered property as the evaluator wants it; series and
// gateways carry the numbers of EachMessage.
func (s *Store) Description(property string) (alerting.Description, error) {
	p, ok := s.Registry().Property(property)
	if !ok {
		return alerting.Description{}, notFound("property %s", property)
	}
	return describe(p)
}

// EachMessage calls f for what a property's gateways said, in order of receipt:
// its readings with event times in [from, to), put together into messages by
// receipt and gateway, and between them presence, messages that brought
// nothing new, refusals, times in which nobody listened, and pump tests when
// they were recorded, at the latest at to. So a contact is the receipt of
// readings, or an entry of its own. f must not keep a message's readings. It stops with f's error.
func (s *Store) EachMessage(ctx context.Context, property string, from, to time.Time, f func(alerting.Message) error) error {
	p, ok := s.Registry().Property(property)
	if !ok {
		return notFound("property %s", property)
	}
	m := &messages{f: f}
	var err error
	if m.others, err = s.otherMessages(ctx, p, from, to); err == nil {
		m.contacts, err = s.contacts(ctx, p, from, to)
	}
	if err == nil {
		err = s.eachReceived(ctx, p, from, to, m.take)
	}
	if err == nil {
		err = m.flush(math.MaxInt64)
	}
	if err != nil {
		return fmt.Errorf("readings of %s from %s to %s: %w", property, from.Format(time.RFC3339), to.Format(time.RFC3339), err)
	}
	return nil
}

// replayTimeout bounds the query of a whole history: it is open for as long as
// the evaluator takes.
const replayTimeout = time.Hour

// eachReceived merges raw rows with what is sealed of the time before them, in
// the order of receipt.
func (s *Store) eachReceived(ctx context.Context, p *Registered, from, to time.Time, f func(alerting.Reading) error) error {
	rawFrom, err := s.rawFrom(ctx)
	if err != nil {
		return err
	}
	var sealed []rawReading
	if q := (sealedQuery{p: p, from: max(pgMicros(from), storableFrom), to: min(pgMicros(to), rawFrom)}); q.from < q.to {
		if sealed, err = sealedReadings(ctx, s.api, q); err != nil {
			return err
		}
		sortReceived(sealed)
	}
	give := func(r rawReading) error {
		return f(alerting.Reading{Series: uint16(r.series), Gateway: p.speaker(r.gateway), At: r.at, Value: r.value, Received: r.received})
	}
	err = s.eachRawReceived(ctx, p.Num, later(from, timeOfMicros(rawFrom)), to, func(r rawReading) error {
		for len(sealed) > 0 && (sealed[0].received < r.received || sealed[0].received == r.received && sealed[0].gateway <= r.gateway) {
			if err := give(sealed[0]); err != nil {
				return err
			}
			sealed = sealed[1:]
		}
		return give(r)
	})
	for i := 0; err == nil && i < len(sealed); i++ {
		err = give(sealed[i])
	}
	return err
}

func (s *Store) eachRawReceived(ctx context.Context, num int32, from, to time.Time, f func(rawReading) error) error {
	return withTx(ctx, s.api, pgx.TxOptions{AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, fmt.Sprintf("SET LOCAL statement_timeout = %d", replayTimeout.Milliseconds())); err != nil {
			return err
		}
		be := binary.BigEndian
		micros := func(t time.Time) []byte {
			return be.AppendUint64(nil, uint64(min(max(pgMicros(t), storableFrom), storableTo)))
		}
		res := tx.Conn().PgConn().ExecParams(ctx, replaySQL, [][]byte{be.AppendUint32(nil, uint32(num)), micros(from), micros(to)},
			[]uint32{oidInt4, oidTimestamptz, oidTimestamptz}, allBinary, allBinary)
		for res.NextRow() {
			v := res.Values()
			err := f(rawReading{
				series: int16(be.Uint16(v[0])), gateway: int16(be.Uint16(v[1])), at: int64(be.Uint64(v[2])) + pgEpochMicros,
				value: math.Float64frombits(be.Uint64(v[3])), received: int64(be.Uint64(v[4])) + pgEpochMicros,
			})
			if err != nil {
				_, cerr := res.Close()
				_ = cerr // f's error is the one that matters
				return err
			}
		}
		_, err := res.Close()
		return err
	})
}

func (s *Store) contacts(ctx context.Context, p *Registered, from, to time.Time) ([]alerting.Contact, error) {
	rows, err := s.api.Query(ctx, `SELECT gateway_id, presence, heard_at FROM contact
		WHERE property_id = $1 AND heard_at >= $2 AND heard_at < $3 ORDER BY heard_at, gateway_id, presence`, p.Num, from, to)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) (c alerting.Contact, err error) {
		var gateway int16
		var presence Presence
		var heard time.Time
		err = r.Scan(&gateway, &presence, &heard)
		return alerting.Contact{At: heard.UnixMicro(), Gateway: p.speaker(gateway), Presence: alerting.Presence(presence)}, err
	})
}

// messages puts rows together again.
type messages struct {
	f        func(alerting.Message) error
	readings []alerting.Reading // of one receipt and gateway
	contacts []alerting.Contact // still to come
	others   []alerting.Message // likewise, by receipt: refusals, pump tests, times of deafness
}

func (m *messages) take(r alerting.Reading) error {
	if n := len(m.readings); n > 0 && (m.readings[n-1].Received != r.Received || m.readings[n-1].Gateway != r.Gateway) {
		if err := m.flush(r.Received); err != nil {
			return err
		}
	}
	m.readings = append(m.readings, r)
	return nil
}

// flush hands on the readings taken, and every contact around them before the
// next receipt.
func (m *messages) flush(next int64) error {
	if len(m.readings) > 0 {
		received, gateway := m.readings[0].Received, m.readings[0].Gateway
		if err := m.silent(received); err != nil {
			return err
		}
		err := m.f(alerting.Message{Received: time.UnixMicro(received).UTC(), Readings: m.readings,
			Contact: alerting.Contact{At: received, Gateway: gateway}})
		if err != nil {
			return err
		}
		m.readings = m.readings[:0]
	}
	return m.silent(next)
}

// silent hands on the contacts before a receipt time.
func (m *messages) silent(before int64) error {
	n := slices.IndexFunc(m.contacts, func(c alerting.Contact) bool { return c.At >= before })
	if n < 0 {
		n = len(m.contacts)
	}
	for _, c := range m.contacts[:n] {
		if err := m.other(c.At); err != nil {
			return err
		}
		if err := m.f(alerting.Message{Received: time.UnixMicro(c.At).UTC(), Contact: c}); err != nil {
			return err
		}
	}
	m.contacts = m.contacts[n:]
	return m.other(before)
}

// other hands on what else was known before a receipt time.
func (m *messages) other(before int64) error {
	for len(m.others) > 0 {
		at := m.others[0].Received.UnixMicro()
		if deaf := len(m.others[0].Deaf) > 0; at > before || at == before && !deaf {
			return nil
		}
		if err := m.f(m.others[0]); err != nil {
			return err
		}
		m.others = m.others[1:]
	}
	return nil
}

// otherMessages are pump tests, refusals and times of deafness, by receipt.
func (s *Store) otherMessages(ctx context.Context, p *Registered, from, to time.Time) ([]alerting.Message, error) {
	out, err := s.recordedTests(ctx, p.Num, from, to)
	if err != nil {
		return nil, err
	}
	refusals, err := s.refusals(ctx, p, from, to)
	if err != nil {
		return nil, err
	}
	deaf, err := deafTimes(ctx, s.api, from, to)
	if err != nil {
		return nil, err
	}
	out = append(out, refusals...)
	for _, g := range deaf {
		out = append(out, alerting.Message{Received: time.UnixMicro(g.To).UTC(), Deaf: []alerting.Gap{g}, Silent: true})
	}
	slices.SortStableFunc(out, func(a, b alerting.Message) int { return a.Received.Compare(b.Received) })
	return out, nil
}

// refusals are the records of [from, to) that were refused for value or time,
// one message each. That their gateway spoke is a contact of its own.
func (s *Store) refusals(ctx context.Context, p *Registered, from, to time.Time) ([]alerting.Message, error) {
	rows, err := s.api.Query(ctx, `SELECT received_at, topic, reason, coalesce(point, ''), coalesce(quantity, 0), coalesce(value, 'NaN') FROM quarantine
		WHERE property_id = $1 AND received_at >= $2 AND received_at < $3 ORDER BY received_at, point, quantity, quarantine_id`, p.Num, from, to)
	if err != nil {
		return nil, err
	}
	var out []alerting.Message
	var received time.Time
	var topic, point string
	var reason Reason
	var quantity int16
	var value float64
	_, err = pgx.ForEachRow(rows, []any{&received, &topic, &reason, &point, &quantity, &value}, func() error {
		if f, ok := JudgedRefusal(reason, point); ok {
			f.At, f.Quantity, f.Value, f.Gateway = received.UnixMicro(), site.Quantity(quantity), value, gatewayOf(p, topic)
			out = append(out, alerting.Message{Received: received.UTC(), Refusals: []alerting.Refusal{f}, Silent: true})
		}
		return nil
	})
	return out, err
}
