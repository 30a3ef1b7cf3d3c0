// Package send hands messages over: to a mail server, to a webhook, to a gateway
// for text messages. It knows nothing of alarms, keeps no state but open
// connections, and says of every attempt whether it was taken, may be taken
// later, or never will be.
package send

import (
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// Kind is what came of an attempt.
type Kind uint8

// What can come of an attempt.
const (
	Sent    Kind = iota + 1 // the other side has taken it
	Later                   // it may go through later
	Refused                 // it never will
	Gone                    // it never will, nor will any other to this recipient
)

// Result of one attempt.
type Result struct {
	Kind   Kind
	Detail string        // one line for a person
	After  time.Duration // not before that; 0: as the sender likes
}

func later(format string, args ...any) Result {
	return Result{Kind: Later, Detail: fmt.Sprintf(format, args...)}
}

func refused(format string, args ...any) Result {
	return Result{Kind: Refused, Detail: fmt.Sprintf(format, args...)}
}

// maxRetryAfter bounds what another side may ask of us.
const maxRetryAfter = 24 * time.Hour

// retryAfter reads the header of RFC 9110, section 10.2.3, in either of its two
// forms; 0 without one.
func retryAfter(h http.Header, now time.Time) time.Duration {
	v := h.Get("Retry-After")
	if n, err := strconv.ParseInt(v, 10, 32); err == nil && n >= 0 {
		return min(time.Duration(n)*time.Second, maxRetryAfter)
	}
	if t, err := http.ParseTime(v); err == nil {
		return min(max(0, t.Sub(now)), maxRetryAfter)
	}
	return 0
}

// answered judges an HTTP answer. What the other side wrote is not kept: it may
// be anything, and is shown to people.
func answered(resp *http.Response, now time.Time) Result {
	said := "answered " + strconv.Itoa(resp.StatusCode)
	switch code := resp.StatusCode; {
	case code >= 200 && code < 300:
		return Result{Kind: Sent, Detail: said}
	case code == http.StatusGone:
		return Result{Kind: Gone, Detail: said}
	case code == http.StatusTooManyRequests, code == http.StatusRequestTimeout, code >= 500:
		return Result{Kind: Later, Detail: said, After: retryAfter(resp.Header, now)}
	case code >= 300 && code < 400: // redirects are not followed: they would pass by the checks of the address
		return later("%s, a redirect, which is not followed", said)
	}
	// A mistake on their side, such as a changed password, may be mended.
	return Result{Kind: Later, Detail: said, After: retryAfter(resp.Header, now)}
}
