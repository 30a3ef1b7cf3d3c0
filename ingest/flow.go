package ingest

import (
	"context"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// flow carries the messages of one connection: network → intake → door → acks.
// Three goroutines, so that the network is read, and its keep-alive answered,
// while the door decodes, commits or makes wait.
type flow struct {
	sub    *Subscriber
	intake chan taken
	acks   chan mqtt.Message
	lost   chan error // capacity 1: why the connection ended

	ending sync.Once
	closed chan struct{}  // no more is taken from the network
	passed sync.WaitGroup // messages with the door, or on their way to it
	passer sync.WaitGroup // the goroutine that passes
	pumps  sync.WaitGroup // the goroutine that acknowledges

	wait   context.Context // ends waiting for room in the door, at a hard stop
	giveUp context.CancelFunc
}

type taken struct {
	message mqtt.Message
	at      time.Time
}

func newFlow(s *Subscriber) *flow {
	f := &flow{
		sub: s, intake: make(chan taken, s.cfg.Window), acks: make(chan mqtt.Message, s.cfg.Window),
		lost: make(chan error, 1), closed: make(chan struct{}),
	}
	f.wait, f.giveUp = context.WithCancel(context.Background())
	f.passer.Go(f.pass)
	f.pumps.Go(f.acknowledge)
	return f
}

// take is the client library's handler. It returns at once while the window
// holds: the goroutine that calls it stands before the one that answers pings.
func (f *flow) take(m mqtt.Message) {
	select {
	case <-f.closed: // unacknowledged, so the broker sends it again
	case f.intake <- taken{m, time.Now()}:
	}
}

// pass hands messages to the door in order, also those that were taken before
// their connection ended: a broker that crashed will not send them again.
func (f *flow) pass() {
	for {
		select {
		case t := <-f.intake:
			f.hand(t)
			continue
		case <-f.closed:
		}
		for {
			select {
			case t := <-f.intake:
				f.hand(t)
			default:
				return
			}
		}
	}
}

func (f *flow) hand(t taken) {
	m := t.message
	f.passed.Add(1)
	err := f.sub.cfg.Door.Enqueue(f.wait, Message{
		Topic: m.Topic(), Payload: m.Payload(), Received: t.at, Retained: m.Retained(),
	}, func(err error) {
		if err != nil { // only when the door was closed by force
			f.fail(err)
			f.passed.Done()
			return
		}
		f.acks <- m // passed is done once it is acknowledged
	})
	if err != nil { // closed, or given up: the message stays unacknowledged
		f.passed.Done()
		f.fail(err)
	}
}

func (f *flow) acknowledge() {
	for m := range f.acks {
		m.Ack() // does nothing where the connection has ended
		f.passed.Done()
	}
}

// fail reports the first reason for the end of the connection.
func (f *flow) fail(err error) {
	select {
	case f.lost <- err:
	default:
	}
}

// end takes no more from the network and returns when everything taken has been
// stored and acknowledged; after limit has fired it returns false at once, and
// what is with the door is not acknowledged on this connection.
func (f *flow) end(limit <-chan struct{}) bool {
	f.ending.Do(func() { close(f.closed) })
	drained := make(chan struct{})
	go func() {
		defer close(drained)
		// The pump that passes ends first, so that passed only falls from here.
		f.passer.Wait()
		f.passed.Wait()
		close(f.acks)
		f.pumps.Wait()
	}()
	select {
	case <-drained:
		f.giveUp()
		return true
	case <-limit:
		f.giveUp()
		return false
	}
}
