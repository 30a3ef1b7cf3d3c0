package send

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"underkeep/ingest/guarded"
)

// Webhook is one event for one receiver.
type Webhook struct {
	URL     string
	ID      string   // webhook-id, the same in every attempt
	Secrets [][]byte // each signs: the present one and, while it is changed over, the one before
	Body    []byte
}

// Hooks hands events to webhooks as Standard Webhooks 1.0.0 says.
type Hooks struct {
	client *http.Client
	now    func() time.Time
}

const (
	hookTimeout = 20 * time.Second
	maxAnswer   = 64 << 10
)

// NewHooks makes a sender; loopback allows receivers on this machine.
func NewHooks(loopback bool, now func() time.Time) *Hooks {
	return &Hooks{client: guarded.Client(guarded.Options{Loopback: loopback, Timeout: hookTimeout}), now: now}
}

// CheckURL says what is wrong with a receiver's address, nil when it may be
// tried. Where its name leads is checked when it is connected to.
func CheckURL(address string, loopback bool) error {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "":
		return errors.New("webhook address: want https://host/path")
	case u.Scheme != "https" && !(loopback && u.Scheme == "http"):
		return errors.New("webhook address: want https")
	case u.User != nil:
		return errors.New("webhook address: no user and password in it")
	}
	return nil
}

// Sign is the signature of one attempt: v1 is HMAC-SHA256 over id, timestamp and
// the exact bytes sent, joined by full stops.
func Sign(secret []byte, id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	fmt.Fprintf(mac, "%s.%d.", id, at.Unix())
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// Secret is a secret as it is shown and given to the other side.
func Secret(key []byte) string { return "whsec_" + base64.StdEncoding.EncodeToString(key) }

// Send hands one event over.
func (h *Hooks) Send(ctx context.Context, w *Webhook) Result {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(w.Body))
	if err != nil {
		return refused("the address cannot be used")
	}
	at := h.now()
	var signatures []string
	for _, secret := range w.Secrets {
		signatures = append(signatures, Sign(secret, w.ID, at, w.Body))
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "underkeep")
	req.Header.Set("Webhook-Id", w.ID)
	req.Header.Set("Webhook-Timestamp", strconv.FormatInt(at.Unix(), 10))
	req.Header.Set("Webhook-Signature", strings.Join(signatures, " "))
	return exchange(h.client, req, h.now)
}

// exchange sends a request and judges the answer. Errors are told apart no
// further than people need: they must not map our network for whoever may enter
// an address.
func exchange(c *http.Client, req *http.Request, now func() time.Time) Result {
	resp, err := c.Do(req)
	if err != nil {
		if errors.Is(err, guarded.ErrForbidden) {
			return refused("the address is not a public one")
		}
		return later("no answer")
	}
	defer resp.Body.Close()
	_, _ = guarded.ReadBody(resp.Body, maxAnswer) // so that the connection can be used again
	return answered(resp, now())
}
