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
)

// maxLine bounds one line of a recording.
const maxLine = 32 << 20

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

// lineReader reads the lines that recorders write, without taking their JSON
// apart twice. It remembers the topics, of which a recording has a handful.
type lineReader struct{ topics map[string]string }

const (
	beforeReceived = `{"received":"`
	beforeTopic    = `","topic":"`
	beforePayload  = `","payload":`
	// rememberedTopics bounds what a recording of nonsense can make us keep.
	rememberedTopics = 1000
)

// guess reads a line on the assumption that it has just these three members in
// this order and that what stands where the payload begins is a JSON array up
// to the end. Only decoding can show that: the guess is right if, and only if,
// the payload decodes as a pack; otherwise parseLine decides. The payload shares
// the line's memory.
func (r *lineReader) guess(line []byte) (Message, bool) {
	line = bytes.TrimRight(line, " \t\r\n")
	rest, ok := bytes.CutPrefix(line, []byte(beforeReceived))
	if !ok {
		return Message{}, false
	}
	received, rest, ok := bytes.Cut(rest, []byte(beforeTopic))
	if !ok {
		return Message{}, false
	}
	topic, rest, ok := bytes.Cut(rest, []byte(beforePayload))
	if !ok || len(rest) < 3 || rest[0] != '[' || rest[len(rest)-1] != '}' || !plain(topic) {
		return Message{}, false
	}
	m := Message{Payload: rest[:len(rest)-1]}
	// UnmarshalText is as strict as the UnmarshalJSON of times.
	if m.Received.UnmarshalText(received) != nil {
		return Message{}, false
	}
	m.Received = m.Received.UTC()
	m.Topic = r.topic(topic)
	return m, true
}

// plain says that a JSON string means just what is written: no escapes, no end
// within it, nothing beyond ASCII.
func plain(s []byte) bool {
	for _, c := range s {
		if c < ' ' || c > '~' || c == '"' || c == '\\' {
			return false
		}
	}
	return len(s) > 0
}

func (r *lineReader) topic(b []byte) string {
	if s, ok := r.topics[string(b)]; ok {
		return s
	}
	s := string(b)
	if r.topics == nil {
		r.topics = map[string]string{}
	}
	if len(r.topics) < rememberedTopics {
		r.topics[s] = s
	}
	return s
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
		return unpacked{z, f, nil}, nil
	case strings.HasSuffix(name, ".zst"):
		z, err := zstd.NewReader(f)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("open %s: %w", name, err), f.Close())
		}
		return unpacked{z, f, z.Close}, nil
	}
	return f, nil
}

type unpacked struct {
	io.Reader
	file  *os.File
	close func() // of the unpacker; nil: it holds nothing
}

func (u unpacked) Close() error {
	if u.close != nil {
		u.close()
	}
	return u.file.Close()
}
