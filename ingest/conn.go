package ingest

import (
	"bufio"
	"net"
	"sync"
	"time"
)

// The client library reads a packet byte by byte and writes each
// acknowledgement by itself; every one would be a system call.
const (
	connReadBuffer = 64 << 10
	// connWriteLimit is how much may be written ahead of the network before
	// Write waits.
	connWriteLimit = 1 << 20
	// connLinger is how long Close waits for what is written already to be sent,
	// and again for the other side to have read it.
	connLinger = time.Second
)

// bufferedConn is a connection with buffered reads and writes that gather while
// the one before is under way.
type bufferedConn struct {
	net.Conn
	in *bufio.Reader

	mu      sync.Mutex
	cond    sync.Cond // pending, err or closing changed
	pending []byte    // written, not sent
	err     error     // of a write; every later Write returns it
	closing bool
	flushed chan struct{} // closed when the writer has ended
	ended   chan struct{} // closed at the first error of Read
	end     sync.Once
}

func newBufferedConn(c net.Conn) *bufferedConn {
	b := &bufferedConn{Conn: c, in: bufio.NewReaderSize(c, connReadBuffer), flushed: make(chan struct{}), ended: make(chan struct{})}
	b.cond.L = &b.mu
	go b.flush()
	return b
}

// Read returns the network's own error or EOF once the connection has ended.
func (b *bufferedConn) Read(p []byte) (int, error) {
	n, err := b.in.Read(p)
	if err != nil {
		b.end.Do(func() { close(b.ended) })
	}
	return n, err
}

// Write returns once p is queued. An error of the network shows at a later
// Write, and at Read, as the connection is closed then.
func (b *bufferedConn) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for len(b.pending) >= connWriteLimit && b.err == nil && !b.closing {
		b.cond.Wait()
	}
	if b.err != nil {
		return 0, b.err
	}
	if b.closing {
		return 0, net.ErrClosed
	}
	b.pending = append(b.pending, p...)
	b.cond.Broadcast()
	return len(p), nil
}

// flush sends what is pending until the connection is closed.
func (b *bufferedConn) flush() {
	defer close(b.flushed)
	var spare []byte
	for {
		b.mu.Lock()
		for len(b.pending) == 0 && !b.closing {
			b.cond.Wait()
		}
		if len(b.pending) == 0 {
			b.mu.Unlock()
			return
		}
		out := b.pending
		b.pending = spare[:0]
		b.cond.Broadcast()
		b.mu.Unlock()
		if _, err := b.Conn.Write(out); err != nil {
			b.mu.Lock()
			b.err = err
			b.cond.Broadcast()
			b.mu.Unlock()
			_ = b.Conn.Close() // wakes the reader; the write's error is the one that counts
			return
		}
		spare = out
	}
}

// Close sends what is pending and waits until the other side has read it, which
// it shows by closing too, for as long as somebody reads; then it closes. A
// broker that the next connection of the same client reaches before it has read
// this one to the end forgets the acknowledgements in it.
func (b *bufferedConn) Close() error {
	b.mu.Lock()
	b.closing = true
	b.cond.Broadcast()
	b.mu.Unlock()
	_ = b.Conn.SetWriteDeadline(time.Now().Add(connLinger)) // fails only where it is closed already
	<-b.flushed
	if half, ok := b.Conn.(interface{ CloseWrite() error }); ok && half.CloseWrite() == nil {
		select {
		case <-b.ended:
		case <-time.After(connLinger):
		}
	}
	return b.Conn.Close()
}
