package simulate

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"time"
)

// Recorder writes messages as a recording: JSON lines of received, topic and
// payload, in order of arrival. Call Flush at the end.
type Recorder struct {
	w   *bufio.Writer
	buf []byte
	err error
}

// NewRecorder writes to w; compression is the caller's business.
func NewRecorder(w io.Writer) *Recorder { return &Recorder{w: bufio.NewWriterSize(w, 1<<16)} }

// Write appends one message. After an error every later call returns it again.
func (r *Recorder) Write(m Message) error {
	if r.err != nil {
		return r.err
	}
	b := append(r.buf[:0], `{"received":"`...)
	b = m.Received.UTC().AppendFormat(b, time.RFC3339Nano)
	b = append(b, `","topic":"`...)
	b = append(b, m.Topic...) // ids are plain ASCII by the contract
	b = append(b, `","payload":`...)
	if m.Presence {
		b = strconv.AppendQuote(b, string(m.Payload))
	} else {
		b = append(b, m.Payload...)
	}
	b = append(b, '}', '\n')
	r.buf = b
	if _, err := r.w.Write(b); err != nil {
		r.err = fmt.Errorf("write recording of %s: %w", m.Topic, err)
	}
	return r.err
}

// Flush writes what is buffered.
func (r *Recorder) Flush() error {
	if r.err != nil {
		return r.err
	}
	if err := r.w.Flush(); err != nil {
		r.err = fmt.Errorf("flush recording: %w", err)
	}
	return r.err
}
