package main

import (
	"bytes"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"

	"github.com/emersion/go-smtp"
)

// mailSink is the demo's mail server: on this machine only, it takes every mail
// and delivers none. The manager reads them on the page of messages.
type mailSink struct {
	server *smtp.Server
	addr   string

	mu   sync.Mutex
	kept map[string]string // text by delivery
}

// maxSunk bounds the mails kept; the oldest are not worth telling apart.
const maxSunk = 2000

func startMailSink() (*mailSink, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("mail sink of the demo: %w", err)
	}
	m := &mailSink{addr: l.Addr().String(), kept: map[string]string{}}
	m.server = smtp.NewServer(m)
	m.server.Domain, m.server.MaxMessageBytes = "localhost", 4<<20
	go func() { _ = m.server.Serve(l) }() // ends when it is closed
	return m, nil
}

func (m *mailSink) close() { _ = m.server.Close() }

// text of the mail that carried a delivery, "" when none did.
func (m *mailSink) text(delivery string) string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.kept[delivery]
}

// NewSession begins a connection.
func (m *mailSink) NewSession(*smtp.Conn) (smtp.Session, error) { return &sinkSession{m}, nil }

type sinkSession struct{ m *mailSink }

// Reset, Logout, Mail and Rcpt take whatever comes.
func (*sinkSession) Reset()                               {}
func (*sinkSession) Logout() error                        { return nil }
func (*sinkSession) Mail(string, *smtp.MailOptions) error { return nil }
func (*sinkSession) Rcpt(string, *smtp.RcptOptions) error { return nil }

// Data keeps the text of one mail.
func (s *sinkSession) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	msg, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	// <delivery.PROPERTY.ID.…@…>
	parts := strings.Split(strings.Trim(msg.Header.Get("Message-Id"), "<>"), ".")
	if len(parts) < 3 {
		return nil
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject"))
	if err != nil {
		subject = msg.Header.Get("Subject")
	}
	text := fmt.Sprintf("From: %s\nTo: %s\nSubject: %s\n\n%s", msg.Header.Get("From"), msg.Header.Get("To"), subject,
		plainPart(msg.Header.Get("Content-Type"), msg.Header.Get("Content-Transfer-Encoding"), msg.Body))
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	for k := range s.m.kept {
		if len(s.m.kept) < maxSunk {
			break
		}
		delete(s.m.kept, k)
	}
	s.m.kept[parts[2]] = text
	return nil
}

// plainPart finds the text of a mail among its parts.
func plainPart(contentType, encoding string, body io.Reader) string {
	kind, params, err := mime.ParseMediaType(contentType)
	switch {
	case err != nil:
		return ""
	case kind == "text/plain":
		if encoding == "quoted-printable" {
			body = quotedprintable.NewReader(body)
		}
		b, _ := io.ReadAll(body) // what can be read is shown
		return string(b)
	case !strings.HasPrefix(kind, "multipart/"):
		return ""
	}
	for r := multipart.NewReader(body, params["boundary"]); ; {
		p, err := r.NextRawPart()
		if err != nil {
			return ""
		}
		if text := plainPart(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p); text != "" {
			return text
		}
	}
}
