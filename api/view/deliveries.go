package view

import (
	"context"
	"time"
)

// Delivery is one thing told to one recipient over one channel.
type Delivery struct {
	ID        string
	Property  string // "" when of no single one
	Subject   string // a call-out, an alarm, a day, a month
	Purpose   string // alarm, return, correction, gathered, digest, summary, weekly, sign-in, channel, test, event
	Priority  string // of the alarm; "" for none
	Step      int    // of the escalation; 0: the first people
	Channel   string // mail | text | webhook
	Recipient string
	Person    string // name; "" not known
	State     string // waiting, sending, sent, gathered, moot, dead
	CreatedAt time.Time
	DueAt     time.Time
	ExpiresAt time.Time
	DoneAt    time.Time // zero: not yet
	Attempts  int
	Outcome   string // why it is as it is
	SeenAt    time.Time
	Tries     []DeliveryTry // only of a single delivery
}

// DeliveryTry is one attempt.
type DeliveryTry struct {
	BegunAt, EndedAt time.Time // EndedAt zero: nobody noted its end
	Outcome          string    // unknown, sent, later, refused
	Detail           string
}

// DeliveryQuery selects a page of deliveries, newest first.
type DeliveryQuery struct {
	Property string
	States   []string
	After    string
	Limit    int
}

// ChannelState is how a channel does.
type ChannelState struct {
	Channel   string
	Waiting   int       // tried at least once and still waiting
	Since     time.Time // of the oldest of them
	SentAt    time.Time // last that went out
	LastError string
	Sick      bool
}

// Routing is the document that says who is told of what.
type Routing struct {
	Document string
	SetAt    time.Time // zero: the default, never set
	SetBy    string
}

// Linked is what a signed link in a message is about.
type Linked struct {
	Recipient string
	Property  string // its name
	Language  string // of the recipient; "" not known
	Alarms    []Alarm
	UsedAt    time.Time // zero: the link has not been used
	Stopped   bool      // the recipient's address wants no messages
}

// StoppedAddress asked not to be written to.
type StoppedAddress struct {
	Address string
	At      time.Time
	How     string
}

// Deliveries knows who was told of what, and who is to be.
type Deliveries interface {
	Deliveries(ctx context.Context, scope Scope, q DeliveryQuery) ([]Delivery, string, error)
	Delivery(ctx context.Context, scope Scope, id string) (Delivery, error)
	// RetryDelivery takes up one that was given up; ErrConflict for any other.
	RetryDelivery(ctx context.Context, scope Scope, id string) (Delivery, error)
	Channels(ctx context.Context) ([]ChannelState, error)

	Routing(ctx context.Context) (Routing, error)
	// SetRouting puts a document in force; ErrInvalid says what is wrong with it.
	SetRouting(ctx context.Context, document []byte, by string) (Routing, error)

	// Linked is what the delivery behind a link is about. The caller has checked
	// the link's signature; nobody is signed in.
	Linked(ctx context.Context, property int32, delivery int64) (Linked, error)
	// AcknowledgeLinked acknowledges it, once; ErrConflict the second time.
	AcknowledgeLinked(ctx context.Context, property int32, delivery int64) error
	// StopLinked ends messages to the delivery's recipient.
	StopLinked(ctx context.Context, property int32, delivery int64) error
	// ResumeLinked takes that back; nothing happens when it was not asked for.
	ResumeLinked(ctx context.Context, property int32, delivery int64) error

	// StoppedAddresses want no messages, by address.
	StoppedAddresses(ctx context.Context) ([]StoppedAddress, error)
	// ResumeAddress lets messages go to an address again; ErrNotFound when it had
	// not asked for none.
	ResumeAddress(ctx context.Context, address, by string) error
	// SendTest enqueues a message to a person that shows that messages arrive, and
	// returns its delivery; ErrInvalid for a channel by which the person cannot be
	// reached.
	SendTest(ctx context.Context, person, channel, by string) (Delivery, error)
}
