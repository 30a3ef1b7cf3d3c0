package store

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"underkeep/alerting"
	"underkeep/store/site"
)

func TestEachMessageComesAsItCame(t *testing.T) {
	t.Parallel()
	s := openTest(t)
	withCottages(t, s, "heron-07")
	from := testNow.Add(-6 * time.Hour)
	at := func(m int) time.Time { return from.Add(time.Duration(m) * time.Minute) }
	said := func(m int, rs ...Reading) Delivery {
		return Delivery{Property: "heron-07", Gateway: "main", Received: at(m), Readings: rs}
	}
	rh := func(m int, v float64) Reading {
		return Reading{Point: "north-bay", Quantity: site.RH, At: at(m), Value: v}
	}
	temp := func(m int, v float64) Reading {
		return Reading{Point: "north-bay", Quantity: site.AirTemp, At: at(m), Value: v}
	}
	record(t, s, said(10, rh(9, 50), temp(9, 20)))
	record(t, s, said(11, rh(9, 50))) // brings nothing new, and is a sign of life
	offline := said(12)
	offline.Presence = PresenceOffline
	record(t, s, offline)
	record(t, s, said(60, rh(5, 48), rh(50, 52))) // forwarded late
	record(t, s, said(70, rh(-5, 47)))            // measured before the period

	type got struct {
		Minute   int
		Presence alerting.Presence
		Minutes  []int
		Values   []float64
	}
	var all []got
	err := s.EachMessage(t.Context(), "heron-07", from, testNow, func(m alerting.Message) error {
		g := got{Minute: int(m.Received.Sub(from).Minutes()), Presence: m.Contact.Presence}
		if m.Contact.At != m.Received.UnixMicro() || m.Contact.Gateway != 0 {
			t.Errorf("contact %+v of %s", m.Contact, m.Received)
		}
		for _, r := range m.Readings {
			g.Minutes = append(g.Minutes, int(time.UnixMicro(r.At).Sub(from).Minutes()))
			g.Values = append(g.Values, r.Value)
		}
		all = append(all, g)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []got{{10, 0, []int{9, 9}, []float64{50, 20}}, {11, 0, nil, nil}, {12, alerting.PresenceOffline, nil, nil}, {60, 0, []int{5, 50}, []float64{48, 52}}}
	if diff := cmp.Diff(want, all); diff != "" {
		t.Error(diff)
	}
	stop := errors.New("enough")
	if err := s.EachMessage(t.Context(), "heron-07", from, testNow, func(alerting.Message) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("%v", err)
	}
	if err := s.EachMessage(t.Context(), "no-such", from, testNow, nil); !errors.Is(err, ErrNotFound) {
		t.Errorf("%v", err)
	}
}
