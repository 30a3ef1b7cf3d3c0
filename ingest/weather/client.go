package weather

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"golang.org/x/time/rate"

	"underkeep/ingest/guarded"
)

// Options of a client.
type Options struct {
	// URL of the service, https://api.weather.gov or one of the same form. An
	// address that is loopback by the letter is allowed to be; any other must
	// lead to a public one.
	URL string
	// Contact is whom the service may write to, a mail address or a page: it asks
	// for one in the name of the program.
	Contact string
	// Tries of one request; default 3.
	Tries int
	// Pause before the second try, doubled each time, with jitter; default 1 s.
	Pause time.Duration
	// PerSecond is how many requests are made at most; default 2.
	PerSecond float64
}

// Client asks a weather service of the form of the United States National Weather
// Service's. It may be used by several goroutines.
type Client struct {
	base  *url.URL
	agent string
	http  *http.Client
	limit *rate.Limiter
	tries int
	pause time.Duration
}

// Errors of a client.
var (
	ErrNotFound = errors.New("the weather service does not know it")
	// ErrUnusable: an answer that cannot be meant for us.
	ErrUnusable = errors.New("the weather service's answer cannot be used")
)

// WaitError: the service asks to be left alone.
type WaitError struct{ For time.Duration }

// Error says for how long.
func (e *WaitError) Error() string {
	return fmt.Sprintf("the weather service asks to wait %s", e.For.Round(time.Second))
}

const (
	maxAnswer = 8 << 20
	// What a Retry-After may ask for within one call; for longer, the call ends.
	waitWithin = 10 * time.Second
	maxWait    = 24 * time.Hour
)

// NewClient checks options; URL and Contact are required.
func NewClient(o Options) (*Client, error) {
	u, err := url.Parse(o.URL)
	if err != nil || (u.Scheme != "https" && u.Scheme != "http") || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("weather service %q: want an http or https address", o.URL)
	}
	if strings.TrimSpace(o.Contact) == "" || strings.ContainsAny(o.Contact, "\r\n()") || len(o.Contact) > 200 {
		return nil, errors.New("the weather service wants a contact: a mail address or a page of whoever runs this service")
	}
	c := &Client{base: u, agent: "underkeep (" + strings.TrimSpace(o.Contact) + ")", tries: o.Tries, pause: o.Pause}
	if c.tries <= 0 {
		c.tries = 3
	}
	if c.pause <= 0 {
		c.pause = time.Second
	}
	if o.PerSecond <= 0 {
		o.PerSecond = 2
	}
	c.limit = rate.NewLimiter(rate.Limit(o.PerSecond), 4)
	c.http = guarded.Client(guarded.Options{Loopback: loopbackByLetter(u), Timeout: 30 * time.Second})
	return c, nil
}

// loopbackByLetter says that the address itself is one of loopback, not merely a
// name that leads there.
func loopbackByLetter(u *url.URL) bool {
	host := u.Hostname()
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// Host of the service, for people.
func (c *Client) Host() string { return c.base.Host }

// Validators of an answer, given back to ask whether there is a newer one.
type Validators struct{ ETag, LastModified string }

// answer is what the service said; Fresh is how long it holds.
type answer struct {
	body        []byte
	validators  Validators
	notModified bool
	fresh       time.Duration
}

// Grid cell of a location.
func (c *Client) Grid(ctx context.Context, lat, lon float64) (Grid, error) {
	a, err := c.get(ctx, "/points/"+coordinate(lat)+","+coordinate(lon), Validators{})
	if err != nil {
		return Grid{}, err
	}
	return ParsePoint(a.body)
}

// coordinate has at most four decimals and no zeros at its end: the service
// redirects anything else.
func coordinate(v float64) string {
	s := strings.TrimRight(strconv.FormatFloat(v, 'f', 4, 64), "0")
	return strings.TrimSuffix(s, ".")
}

// StationsOf a cell, in no particular order.
func (c *Client) StationsOf(ctx context.Context, g Grid) ([]Station, error) {
	a, err := c.get(ctx, "/gridpoints/"+g.String()+"/stations", Validators{})
	if err != nil {
		return nil, err
	}
	return ParseStations(a.body)
}

// Station by its identifier.
func (c *Client) Station(ctx context.Context, id string) (Station, error) {
	if !stationID.MatchString(id) {
		return Station{}, fmt.Errorf("station %.40q: %w", id, ErrNotFound)
	}
	a, err := c.get(ctx, "/stations/"+id, Validators{})
	if err != nil {
		return Station{}, err
	}
	list, err := ParseStations(a.body)
	if err != nil {
		return Station{}, err
	}
	return list[0], nil
}

// Observed is an answer about a station's observations.
type Observed struct {
	Validators   Validators
	Fresh        time.Duration
	NotModified  bool
	Observations []Observation
	Problem      error // of some observations; the others are good
}

// Observations of a station, the latest 40; since a time when it is not zero, at
// most 500.
func (c *Client) Observations(ctx context.Context, id string, v Validators, since time.Time) (Observed, error) {
	if !stationID.MatchString(id) {
		return Observed{}, fmt.Errorf("station %.40q: %w", id, ErrNotFound)
	}
	path := "/stations/" + id + "/observations?limit=40"
	if !since.IsZero() {
		path = "/stations/" + id + "/observations?limit=500&start=" + url.QueryEscape(since.UTC().Format(time.RFC3339))
		v = Validators{}
	}
	a, err := c.get(ctx, path, v)
	if err != nil || a.notModified {
		return Observed{Validators: v, Fresh: a.fresh, NotModified: a.notModified}, err
	}
	o := Observed{Validators: a.validators, Fresh: a.fresh}
	if o.Observations, o.Problem = ParseObservations(a.body); o.Problem != nil && len(o.Observations) == 0 {
		return Observed{}, o.Problem
	}
	if !since.IsZero() {
		o.Validators = Validators{} // they are of another address
	}
	return o, nil
}

// Forecasted is an answer about a cell's forecast.
type Forecasted struct {
	Validators  Validators
	Fresh       time.Duration
	NotModified bool
	Forecast    Forecast
}

// Forecast of a cell.
func (c *Client) Forecast(ctx context.Context, g Grid, v Validators) (Forecasted, error) {
	a, err := c.get(ctx, "/gridpoints/"+g.String(), v)
	if err != nil || a.notModified {
		return Forecasted{Validators: v, Fresh: a.fresh, NotModified: a.notModified}, err
	}
	f, err := ParseForecast(a.body)
	return Forecasted{Validators: a.validators, Fresh: a.fresh, Forecast: f}, err
}

// get asks once, and again where that may help: after a broken connection, 429
// and 5xx, with jitter, and not before a Retry-After has passed.
func (c *Client) get(ctx context.Context, path string, v Validators) (answer, error) {
	pause := c.pause
	for try := 1; ; try++ {
		a, again, err := c.once(ctx, path, v)
		if err == nil {
			return a, nil
		}
		var wait *WaitError
		if errors.As(err, &wait) && wait.For > waitWithin || !again || try >= c.tries {
			return answer{}, fmt.Errorf("ask %s for %s: %w", c.base.Host, path, err)
		}
		sleep := pause/2 + rand.N(pause)
		if wait != nil {
			sleep = max(sleep, wait.For)
		}
		select {
		case <-ctx.Done():
			return answer{}, fmt.Errorf("ask %s for %s: %w", c.base.Host, path, errors.Join(ctx.Err(), err))
		case <-time.After(sleep):
		}
		pause *= 2
	}
}

func (c *Client) once(ctx context.Context, path string, v Validators) (a answer, again bool, err error) {
	if err := c.limit.Wait(ctx); err != nil {
		return answer{}, false, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(c.base.String(), "/")+path, nil)
	if err != nil {
		return answer{}, false, err
	}
	req.Header.Set("User-Agent", c.agent)
	req.Header.Set("Accept", "application/geo+json")
	if v.ETag != "" {
		req.Header.Set("If-None-Match", v.ETag)
	}
	if v.LastModified != "" {
		req.Header.Set("If-Modified-Since", v.LastModified)
	}
	res, err := c.http.Do(req)
	if err != nil {
		var dns *net.DNSError
		again = !errors.Is(err, guarded.ErrForbidden) && !(errors.As(err, &dns) && dns.IsNotFound) && ctx.Err() == nil
		return answer{}, again, err
	}
	defer res.Body.Close()
	return read(res)
}

// read sorts an answer by its status.
func read(res *http.Response) (a answer, again bool, err error) {
	a.validators = Validators{cut(res.Header.Get("ETag")), cut(res.Header.Get("Last-Modified"))}
	a.fresh = freshFor(res.Header.Get("Cache-Control"))
	switch s := res.StatusCode; {
	case s == http.StatusNotModified:
		a.notModified = true
		return a, false, nil
	case s == http.StatusNotFound || s == http.StatusGone:
		return answer{}, false, ErrNotFound
	case s == http.StatusTooManyRequests || s >= 500:
		if wait := retryAfter(res.Header); wait > 0 {
			return answer{}, true, fmt.Errorf("status %d: %w", s, &WaitError{wait})
		}
		return answer{}, true, fmt.Errorf("status %d", s)
	case s != http.StatusOK:
		return answer{}, false, fmt.Errorf("status %d: %w", s, ErrUnusable)
	}
	a.body, err = guarded.ReadBody(res.Body, maxAnswer)
	if errors.Is(err, guarded.ErrTooLarge) {
		return answer{}, false, errors.Join(ErrUnusable, err)
	}
	return a, err != nil, err
}

// cut drops a validator too long to keep.
func cut(s string) string {
	if len(s) > 500 {
		return ""
	}
	return s
}

// retryAfter reads seconds or a date (RFC 9110 section 10.2.3), against the
// service's own clock where it says what that is.
func retryAfter(h http.Header) time.Duration {
	text := h.Get("Retry-After")
	if n, err := strconv.Atoi(text); err == nil {
		return min(max(time.Duration(min(n, 1<<30))*time.Second, 0), maxWait)
	}
	at, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	now, err := http.ParseTime(h.Get("Date"))
	if err != nil {
		now = time.Now()
	}
	return min(max(at.Sub(now), 0), maxWait)
}

// freshFor is the max-age of an answer, at most a day.
func freshFor(cacheControl string) time.Duration {
	for part := range strings.SplitSeq(cacheControl, ",") {
		name, value, ok := strings.Cut(strings.TrimSpace(part), "=")
		if !ok || !strings.EqualFold(name, "max-age") {
			continue
		}
		if n, err := strconv.Atoi(strings.Trim(value, `"`)); err == nil && n > 0 {
			return min(time.Duration(min(n, 86400))*time.Second, maxWait)
		}
	}
	return 0
}
