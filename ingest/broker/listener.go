package broker

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// introduction is how long a connection has to say who it is, TLS included.
const introduction = 10 * time.Second

// listener bounds what strangers can cost: how many there are at once, and how
// long they stay.
type listener struct {
	inner     net.Listener
	tls       *tls.Config
	strangers chan struct{} // a token for each connection that is not admitted
	log       *slog.Logger
	end       chan struct{}
	once      sync.Once

	mu     sync.Mutex
	conns  map[net.Conn]struct{} // nil once closed
	active sync.WaitGroup        // connections being served
}

func newListener(inner net.Listener, cfg Config) *listener {
	return &listener{
		inner: inner, tls: cfg.TLS, strangers: make(chan struct{}, cfg.MaxStrangers), log: cfg.Log, end: make(chan struct{}),
		conns: map[net.Conn]struct{}{},
	}
}

func (l *listener) ID() string              { return "gateways" }
func (l *listener) Address() string         { return l.inner.Addr().String() }
func (l *listener) Protocol() string        { return l.inner.Addr().Network() }
func (l *listener) Init(*slog.Logger) error { return nil }

// Serve accepts connections until Close.
func (l *listener) Serve(establish listeners.EstablishFn) {
	for {
		select {
		case l.strangers <- struct{}{}:
		case <-l.end:
			return
		}
		c, err := l.inner.Accept()
		if err != nil {
			<-l.strangers
			if errors.Is(err, net.ErrClosed) {
				return
			}
			l.log.Warn("accept a gateway's connection", "error", err)
			select { // out of file descriptors, as a rule: it passes
			case <-time.After(100 * time.Millisecond):
			case <-l.end:
				return
			}
			continue
		}
		if !l.track(c) {
			<-l.strangers
			_ = c.Close() // it came while the listener closed
			return
		}
		go l.attend(c, establish)
	}
}

func (l *listener) track(c net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conns == nil {
		return false
	}
	l.conns[c] = struct{}{}
	l.active.Add(1)
	return true
}

func (l *listener) forget(c net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, c)
	l.active.Done()
}

func (l *listener) attend(c net.Conn, establish listeners.EstablishFn) {
	defer l.forget(c)
	s := &stranger{Conn: c, release: sync.OnceFunc(func() { <-l.strangers })}
	if l.tls != nil {
		s.Conn = tls.Server(c, l.tls)
	}
	defer s.release()
	_ = s.SetDeadline(time.Now().Add(introduction)) // fails only on a closed connection
	if err := establish(l.ID(), s); err != nil {
		l.log.Debug("gateway connection ended", "remote", c.RemoteAddr().String(), "error", err)
	}
}

// Close ends the listener, then its clients, then those that have not said who
// they are, and waits for all of them: the server itself does not wait for
// connections that are just being opened.
func (l *listener) Close(closeClients listeners.CloseFn) {
	l.once.Do(func() {
		close(l.end)
		_ = l.inner.Close() // nothing to be done about it at the end
		closeClients(l.ID())
		l.mu.Lock()
		for c := range l.conns {
			_ = c.Close() // most are closed already
		}
		l.conns = nil
		l.mu.Unlock()
		l.active.Wait()
	})
}

// stranger is a connection; release is called when it is admitted or closed.
type stranger struct {
	net.Conn
	release func()
}

func (s *stranger) Close() error {
	s.release()
	return s.Conn.Close()
}
