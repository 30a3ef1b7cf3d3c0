package send

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"math/big"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"pgregory.net/rapid"
)

// server is a real SMTP server that notes what it was handed, and whether that
// was under TLS and after signing in.
type server struct {
	mu   sync.Mutex
	got  []handed
	addr string
}

type handed struct {
	from   string
	to     []string
	raw    []byte
	tls    bool
	signed string // user name
}

type serverSession struct {
	s    *server
	conn *smtp.Conn
	handed
}

// NewSession implements smtp.Backend.
func (s *server) NewSession(c *smtp.Conn) (smtp.Session, error) {
	return &serverSession{s: s, conn: c}, nil
}

func (x *serverSession) AuthMechanisms() []string { return []string{sasl.Plain} }
func (x *serverSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "alarms" || password != "p@ss word" {
			return errors.New("wrong")
		}
		x.signed = user
		return nil
	}), nil
}
func (x *serverSession) Reset()                                      { x.to = nil }
func (x *serverSession) Logout() error                               { return nil }
func (x *serverSession) Mail(from string, _ *smtp.MailOptions) error { x.from = from; return nil }
func (x *serverSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	x.to = append(x.to, to)
	return nil
}
func (x *serverSession) Data(r io.Reader) (err error) {
	if x.raw, err = io.ReadAll(r); err != nil {
		return err
	}
	_, x.tls = x.conn.TLSConnectionState()
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	x.s.got = append(x.s.got, x.handed)
	return nil
}

func (s *server) all() []handed {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]handed(nil), s.got...)
}

// serve starts a server: without a certificate in plain, with one offering
// STARTTLS or, when throughout, speaking TLS from the first byte.
func serve(tb testing.TB, cert *tls.Certificate, throughout bool) *server {
	tb.Helper()
	s := &server{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	s.addr = l.Addr().String()
	srv := smtp.NewServer(s)
	srv.Domain, srv.AllowInsecureAuth = "localhost", cert == nil
	srv.ErrorLog = silent{}
	if cert != nil {
		srv.TLSConfig = &tls.Config{Certificates: []tls.Certificate{*cert}}
	}
	if throughout {
		l = tls.NewListener(l, srv.TLSConfig)
	}
	go func() { _ = srv.Serve(l) }()
	tb.Cleanup(func() { _ = srv.Close() })
	return s
}

type silent struct{}

func (silent) Printf(string, ...any) {}
func (silent) Println(...any)        {}

// certificate for names and addresses, signed by itself, and a pool that trusts it.
func certificate(tb testing.TB, until time.Time, names []string, ips ...net.IP) (*tls.Certificate, *tls.Config) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail"}, NotBefore: until.Add(-48 * time.Hour), NotAfter: until,
		DNSNames: names, IPAddresses: ips, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		tb.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		tb.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
}

func mailer(tb testing.TB, url string, roots *tls.Config) *Mailer {
	tb.Helper()
	m, err := NewMailer(url, "alarms@skerry.example", "Skerry Bank Dry Spaces", roots)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(m.Close)
	return m
}

func note() *Mail {
	return &Mail{ID: "delivery.1.2.ab@skerry.example", To: "ann@example.org", Name: "Ann Owner", Subject: "Leak sensor wet, Cottage 7", Text: "Text.\n", HTML: "<p>Text.</p>",
		Date: time.Date(2026, 9, 14, 20, 5, 0, 0, time.UTC), StopURL: "https://watch.example/stop/x"}
}

// STARTTLS and TLS throughout, each with a certificate that is trusted, and with
// every certificate that must be refused: nothing is handed over then, no
// password is said, and the attempt may be repeated once the server is mended.
func TestMailUnderTLS(t *testing.T) {
	t.Parallel()
	loopback := net.IPv4(127, 0, 0, 1)
	good, trusted := certificate(t, time.Now().Add(24*time.Hour), nil, loopback)
	expired, trustsExpired := certificate(t, time.Now().Add(-time.Hour), nil, loopback)
	other, trustsOther := certificate(t, time.Now().Add(24*time.Hour), []string{"elsewhere.example"})
	for name, c := range map[string]struct {
		cert  *tls.Certificate
		roots *tls.Config
		sent  bool
	}{
		"trusted":          {good, trusted, true},
		"not trusted":      {good, nil, false},
		"another's":        {good, trustsExpired, false},
		"expired":          {expired, trustsExpired, false},
		"for another name": {other, trustsOther, false},
	} {
		for scheme, throughout := range map[string]bool{"smtp": false, "smtps": true} {
			t.Run(scheme+", "+name, func(t *testing.T) {
				t.Parallel()
				s := serve(t, c.cert, throughout)
				res := mailer(t, scheme+"://alarms:p%40ss%20word@"+s.addr, c.roots).Send(t.Context(), note())
				got := s.all()
				if !c.sent {
					if res.Kind != Later || len(got) != 0 || !strings.Contains(res.Detail, "certificate") {
						t.Errorf("%+v, %d handed over", res, len(got))
					}
					return
				}
				if res.Kind != Sent || len(got) != 1 || !got[0].tls || got[0].signed != "alarms" {
					t.Errorf("%+v, %+v", res, got)
				}
			})
		}
	}
}

// A server, or somebody between, that offers no STARTTLS gets neither mail nor
// password; and no address but this machine's is spoken to in plain.
func TestNoMailInPlain(t *testing.T) {
	t.Parallel()
	s := serve(t, nil, false)
	res := mailer(t, "smtp://alarms:p%40ss%20word@"+s.addr, nil).Send(t.Context(), note())
	if res.Kind != Later || len(s.all()) != 0 {
		t.Errorf("%+v, %d handed over", res, len(s.all()))
	}
	for _, url := range []string{"smtp+plain://mail.example:25", "smtp+plain://10.0.0.1", "http://127.0.0.1", "smtp+plain://127.0.0.1.example"} {
		if _, err := NewMailer(url, "alarms@skerry.example", "x", nil); err == nil {
			t.Errorf("%s is taken", url)
		}
	}
}

// A wrong password is the server's 535: it may be mended, and does not lose the mail.
func TestWrongPasswordIsTriedAgain(t *testing.T) {
	t.Parallel()
	good, trusted := certificate(t, time.Now().Add(24*time.Hour), nil, net.IPv4(127, 0, 0, 1))
	s := serve(t, good, false)
	if res := mailer(t, "smtp://alarms:wrong@"+s.addr, trusted).Send(t.Context(), note()); res.Kind != Later || len(s.all()) != 0 {
		t.Errorf("%+v", res)
	}
}

// Whatever stands in a name, a subject or an address, a mail has the headers that
// we gave it and goes to the one recipient: it is refused, or the text is inside
// the header where it belongs.
func TestNothingAddsAHeader(t *testing.T) {
	t.Parallel()
	s := serve(t, nil, false)
	m := mailer(t, "smtp+plain://"+s.addr, nil)
	hostile := []string{
		"Cottage\r\nBcc: thief@evil.example", "Cottage\nX-Injected: 1", "Cottage\r\n\r\n<b>body</b>", "Cottage\rBcc: thief@evil.example", "a\x00b",
		"=?utf-8?q?=0D=0ABcc:_thief@evil.example?=", "\"Ann\" <thief@evil.example>, ", "ann@example.org>\r\nRCPT TO:<thief@evil.example",
		"ann@example.org, thief@evil.example", "ann@example.org> NOTIFY=SUCCESS", "<thief@evil.example>", "Ann <thief@evil.example>", "\u2028Bcc: thief@evil.example",
		"ann@example.org\r\n.\r\nMAIL FROM:<x@y>", "\u00e9t\u00e9 7, Skerry Bank",
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.SampledFrom(hostile), rapid.StringN(0, 60, 120), rapid.Custom(func(t *rapid.T) string {
			return rapid.StringN(0, 10, 20).Draw(t, "before") + rapid.SampledFrom(hostile).Draw(t, "hostile") + rapid.StringN(0, 10, 20).Draw(t, "behind")
		}))
		x := note()
		field := rapid.SampledFrom([]string{"name", "subject", "to", "id", "root", "stop"}).Draw(t, "field")
		v := text.Draw(t, "text")
		switch field {
		case "name":
			x.Name = v
		case "subject":
			x.Subject = v
		case "to":
			x.To = v
		case "id":
			x.ID = v
		case "root":
			x.Root = v
		case "stop":
			x.StopURL = "https://watch.example/stop/" + v
		}
		before := len(s.all())
		res := m.Send(t.Context(), x)
		got := s.all()[before:]
		if res.Kind != Sent {
			if len(got) != 0 {
				t.Fatalf("%+v, and yet handed over", res)
			}
			return
		}
		if len(got) != 1 || len(got[0].to) != 1 || field != "to" && got[0].to[0] != "ann@example.org" || got[0].from != "alarms@skerry.example" {
			t.Fatalf("%s %q: from %q to %q", field, v, got[0].from, got[0].to)
		}
		checkHeaders(t, got[0])
	})
}

// ours are all the headers that a mail may have.
var ours = map[string]bool{"Date": true, "Mime-Version": true, "Message-Id": true, "Subject": true, "From": true, "To": true, "User-Agent": true, "X-Mailer": true,
	"Auto-Submitted": true, "List-Unsubscribe": true, "List-Unsubscribe-Post": true, "Content-Type": true, "In-Reply-To": true, "References": true,
	"Content-Transfer-Encoding": true}

func checkHeaders(t *rapid.T, h handed) {
	msg, err := mail.ReadMessage(bytes.NewReader(h.raw))
	if err != nil {
		t.Fatalf("%v\n%s", err, h.raw)
	}
	for name, values := range msg.Header {
		if !ours[name] || len(values) != 1 {
			t.Fatalf("header %s: %q\n%s", name, values, h.raw)
		}
	}
	if to, err := msg.Header.AddressList("To"); err != nil || len(to) != 1 || !strings.EqualFold(to[0].Address, h.to[0]) {
		t.Fatalf("To: %v, %v; envelope %q\n%s", to, err, h.to, h.raw)
	}
}
