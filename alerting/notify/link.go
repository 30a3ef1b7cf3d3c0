package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"strings"
	"time"
)

// LinkKind is what a signed link may do.
type LinkKind byte

// The kinds of links.
const (
	LinkSeen LinkKind = 's' // acknowledge what the delivery told of
	LinkStop LinkKind = 'x' // no more mail to the delivery's recipient
)

// Links signs and reads links in messages. A link opens a page and acts only on
// its button: programs that look at mail follow every link in it.
type Links struct {
	key    []byte
	public string // address of the service as people reach it, without a slash at the end
}

// ErrLink: the link is not ours, or it is too old.
var ErrLink = errors.New("link is not valid")

// NewLinks derives its key from the service's secret.
func NewLinks(secret []byte, public string) *Links {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte("links in messages"))
	return &Links{key: mac.Sum(nil), public: strings.TrimRight(public, "/")}
}

// linkFor is how long a link works.
const linkFor = 14 * 24 * time.Hour

const linkBody = 1 + 4 + 8 + 8

// Token is the last part of a link's address.
func (l *Links) Token(kind LinkKind, property int32, delivery int64, until time.Time) string {
	b := make([]byte, 0, linkBody+16)
	b = append(b, byte(kind))
	b = binary.BigEndian.AppendUint32(b, uint32(property))
	b = binary.BigEndian.AppendUint64(b, uint64(delivery))
	b = binary.BigEndian.AppendUint64(b, uint64(until.Unix()))
	return base64.RawURLEncoding.EncodeToString(append(b, l.mac(b)...))
}

// mac of 128 bits: a link lives for days and is tried over the network.
func (l *Links) mac(b []byte) []byte {
	m := hmac.New(sha256.New, l.key)
	m.Write(b)
	return m.Sum(nil)[:16]
}

// Read takes a token apart; ErrLink when it was not signed here, is of another
// kind, or is too old at the time now.
func (l *Links) Read(kind LinkKind, token string, now time.Time) (property int32, delivery int64, err error) {
	b, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(b) != linkBody+16 || !hmac.Equal(b[linkBody:], l.mac(b[:linkBody])) || LinkKind(b[0]) != kind {
		return 0, 0, ErrLink
	}
	if until := int64(binary.BigEndian.Uint64(b[13:])); now.Unix() > until {
		return 0, 0, ErrLink
	}
	return int32(binary.BigEndian.Uint32(b[1:])), int64(binary.BigEndian.Uint64(b[5:])), nil
}

// Seen is the address of the page on which the delivery is acknowledged.
func (l *Links) Seen(property int32, delivery int64, now time.Time) string {
	return l.public + "/seen/" + l.Token(LinkSeen, property, delivery, now.Add(linkFor))
}

// Stop is the address of the page that ends messages to the recipient.
func (l *Links) Stop(property int32, delivery int64, now time.Time) string {
	return l.public + "/stop/" + l.Token(LinkStop, property, delivery, now.Add(90*24*time.Hour))
}

// Property is the address of a property's page.
func (l *Links) Property(id string, owner bool) string {
	if owner {
		return l.public + "/home/" + id
	}
	return l.public + "/properties/" + id
}

// Today is the address of the page of the day's work.
func (l *Links) Today() string { return l.public + "/today" }

// Deliveries is the address of the page of deliveries.
func (l *Links) Deliveries() string { return l.public + "/deliveries" }
