// Package ingest brings what gateways publish into the store: decode, check,
// commit in groups, then acknowledge.
//
// The Door is the one way in. The in-process broker (package broker) calls
// Deliver from its publish hook, and the Subscriber that stands behind an
// external broker calls Enqueue; both acknowledge a message only once the
// transaction that stores it has committed. A message that is delivered again
// changes nothing: the store keeps the first value of each (property, point,
// quantity, time).
//
// Nothing is lost silently. What cannot be used goes to quarantine with its raw
// payload and the reason; when the database is away, waiting messages are
// bounded and the door stops taking more, so that the broker and the gateways
// hold them.
package ingest

import (
	"context"
	"time"

	"underkeep/store"
)

// Recorder stores deliveries in one transaction: all of them or, with an error,
// perhaps none. Recording a delivery again must change nothing. *store.Store is
// one.
type Recorder interface {
	Record(ctx context.Context, deliveries []store.Delivery) (store.Recorded, error)
}

// Message as it came from a broker. Payload must not be changed afterwards.
type Message struct {
	Topic    string
	Payload  []byte
	Received time.Time
	// Retained says that the broker had kept the message and handed it to a new
	// subscription: it tells a state, not that the gateway spoke just now.
	Retained bool
}

// Deliverer is what brokers need of a Door.
type Deliverer interface {
	// Deliver returns nil once the message is stored, in readings or in
	// quarantine. After an error the message must not be acknowledged.
	Deliver(ctx context.Context, topic string, payload []byte, received time.Time) error
}
