package ingest

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"underkeep/store"
)

// Outside are readings that no gateway published: a weather station's, or those of
// a file. They come in stored units.
type Outside struct {
	Property string
	Source   string // store.WeatherSource or store.RainFileSource
	Received time.Time
	Readings []store.Reading
}

// CheckOutside holds outside readings against the same rules as a gateway's: the
// possible values of their quantity, and times from the day of installation to ten
// minutes ahead. What does not pass is refused, and the rest goes on.
func CheckOutside(sites Sites, o Outside) store.Delivery {
	d := store.Delivery{Property: o.Property, Gateway: o.Source, Received: o.Received, Topic: ReadingsTopic(o.Property, o.Source)}
	k := check{message: Message{Topic: d.Topic, Received: o.Received}, out: d}
	s, known := sites.Site(o.Property)
	for i := range o.Readings {
		r := &o.Readings[i]
		k.message.Payload = packOfOne(r)
		k.refused = 0 // every refusal has a payload of its own
		switch reason, why := k.outside(s, known, r); {
		case reason != "":
			k.add(store.Refusal{Reason: reason, Detail: clean(fmt.Sprintf("%s/%s = %g at %s: %s", r.Point, r.Quantity, r.Value, r.At.Format(time.RFC3339), why), 400),
				Point: r.Point, Quantity: r.Quantity, At: r.At, Value: finite(r.Value)})
		default:
			k.out.Readings = append(k.out.Readings, *r)
		}
	}
	return k.out
}

func (k *check) outside(s *Site, known bool, r *store.Reading) (store.Reason, string) {
	if !known {
		return store.ReasonUnknownProperty, "the property is not registered"
	}
	spec := r.Quantity.Spec()
	switch {
	case r.Point != store.StationPoint && s.series[r.Point+"/"+r.Quantity.String()] == nil:
		return store.ReasonUnknownPoint, "the point does not measure it"
	case !(r.Value >= spec.Min && r.Value <= spec.Max):
		return store.ReasonImpossible, fmt.Sprintf("possible are %g to %g %s", spec.Min, spec.Max, spec.Units[0])
	case r.At.After(k.message.Received.Add(MaxAhead)):
		return store.ReasonTimeAhead, fmt.Sprintf("at most %v ahead of its receipt", MaxAhead)
	case r.At.Before(s.acceptsFrom):
		return store.ReasonTimeTooEarly, "the property was installed on " + s.acceptsFrom.Format(time.DateOnly)
	}
	return "", ""
}

// packOfOne is what quarantine keeps of an outside reading.
func packOfOne(r *store.Reading) []byte {
	record := map[string]any{"n": r.Point + "/" + r.Quantity.String(), "v": finite(r.Value), "t": float64(r.At.UnixMicro()) / 1e6}
	if units := r.Quantity.Spec().Units; len(units) > 0 {
		record["u"] = units[0]
	}
	out, err := json.Marshal([]any{record})
	if err != nil { // strings and finite numbers always marshal
		panic("ingest: pack of one record: " + err.Error())
	}
	return out
}

// DeliverOutside stores outside readings in the same transactions as everything
// else and returns nil once they are durable, in readings or in quarantine.
// Delivering them again changes nothing.
func (d *Door) DeliverOutside(ctx context.Context, o Outside) error {
	result := make(chan error, 1)
	it := &item{delivery: CheckOutside(d.cfg.Sites, o), done: func(err error) { result <- err }}
	it.records = len(it.delivery.Readings) + len(it.delivery.Refused)
	if it.records == 0 {
		return nil
	}
	it.bytes = 128 * it.records
	if err := d.admit(ctx, it); err != nil {
		return err
	}
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
		d.abandon(it)
		return fmt.Errorf("store readings of %s for %s: %w", o.Source, o.Property, ctx.Err())
	}
}
