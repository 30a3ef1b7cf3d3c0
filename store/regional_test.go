package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting/region"
	"underkeep/store/localpg/pgtest"
	"underkeep/store/site"
)

// onStreet is a cottage with a mains sensor, some 50 m from the one before.
func onStreet(i int) (id, file string) {
	id = fmt.Sprintf("dune-%02d", i)
	return id, fmt.Sprintf(`property: %s
name: %d Dune Street
timezone: America/New_York
location: {lat: %.5f, lon: -77.87}
installed: 2024-03-02
points:
  - {id: bay, measures: [rh, air-temp], every: 5m}
  - {id: meter, measures: [mains]}
`, id, i, 34.2+0.0005*float64(i))
}

// street is some houses that report every five minutes.
type street struct {
	ids  []string
	told time.Time // up to which they have reported
}

// aStreet registers n houses, each with a gateway, and has them report from
// start on that there is power.
func aStreet(tb testing.TB, s *Store, n int, start time.Time) *street {
	tb.Helper()
	st := &street{told: start}
	for i := range n {
		id, file := onStreet(i)
		register(tb, s, file)
		if _, err := s.AddGateway(tb.Context(), id, "main", "test"); err != nil {
			tb.Fatal(err)
		}
		st.ids = append(st.ids, id)
	}
	st.mains(tb, s, start, 1, st.ids...)
	return st
}

// mains goes on or off at some houses; all report until ten minutes later.
func (st *street) mains(tb testing.TB, s *Store, at time.Time, on float64, ids ...string) {
	tb.Helper()
	end := at.Add(10 * time.Minute)
	var all []Delivery
	for _, id := range st.ids {
		d := Delivery{Property: id, Gateway: "main", Received: at}
		if slices.Contains(ids, id) {
			d.Readings = append(d.Readings, Reading{Point: "meter", Quantity: site.Mains, At: at, Value: on})
		}
		for t := st.told; !t.After(end); t = t.Add(5 * time.Minute) {
			d.Readings = append(d.Readings, Reading{Point: "bay", Quantity: site.RH, At: t, Value: 50})
		}
		d.Received = later(end, st.told)
		all = append(all, d)
	}
	st.told = later(st.told, end)
	record(tb, s, all...)
	evaluateAll(tb, s, st.told)
}

func joinRegional(tb testing.TB, s *Store, now time.Time) []RegionalChange {
	tb.Helper()
	_, changes, err := s.JoinRegional(tb.Context(), now)
	if err != nil {
		tb.Fatal(err)
	}
	return changes
}

func regionalEvents(tb testing.TB, s *Store, scope Scope) []RegionalEvent {
	tb.Helper()
	out, _, err := s.RegionalEvents(tb.Context(), RegionalQuery{Scope: scope})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

// The mains of a street of twelve houses fail for nine of them, and come back:
// one event, which grows, stands, and ends.
func TestRegionalEventOfAStreet(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t, migrateTemplate)
	var mu sync.Mutex
	var told []RegionalChange
	s, err := Open(t.Context(), url, Options{Log: quiet(), InRegion: func(_ context.Context, _ pgx.Tx, changes []RegionalChange) error {
		mu.Lock()
		defer mu.Unlock()
		told = append(told, changes...)
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	start := testNow.Add(-12 * time.Hour).Truncate(time.Hour)
	st := aStreet(t, s, 12, start)
	ids := st.ids
	st.mains(t, s, start.Add(20*time.Minute), 0, ids[:6]...)
	now := start.Add(2 * time.Hour)
	if c := joinRegional(t, s, now); len(c) != 1 || c[0].Kind != RegionalOpened || len(c[0].Joined) != 6 || c[0].Event.Houses != 6 {
		t.Fatalf("six houses without power: %+v", c)
	}
	if c := joinRegional(t, s, now); len(c) != 0 {
		t.Errorf("nothing new, yet %+v", c)
	}
	st.mains(t, s, start.Add(40*time.Minute), 0, ids[6:9]...)
	if c := joinRegional(t, s, now); len(c) != 1 || c[0].Kind != RegionalGrew || len(c[0].Joined) != 3 || c[0].Event.Houses != 9 {
		t.Fatalf("three houses more: %+v", c)
	}
	got := regionalEvents(t, s, AllProperties)
	if len(got) != 1 || got[0].Kind != region.MainsLost || got[0].Houses != 9 || len(got[0].Members) != 9 || !got[0].Stands() ||
		!got[0].Since.Equal(start.Add(25*time.Minute)) || !got[0].Located || got[0].RadiusKm > 1 {
		t.Fatalf("event %+v", got)
	}
	for _, a := range alarms(t, s, AlarmQuery{Condition: site.MainsLost}) {
		if a.RegionalEvent != got[0].ID || a.State != StateUnacknowledged {
			t.Errorf("alarm %s: event %d, state %s", a.ID, a.RegionalEvent, a.State)
		}
		e, ok, err := s.RegionalOfAlarm(t.Context(), s.api, a.ID)
		if err != nil || !ok || e.ID != got[0].ID || e.Houses != 9 {
			t.Errorf("event of %s: %+v, %v, %v", a.ID, e, ok, err)
		}
	}
	mine := regionalEvents(t, s, Scope{Properties: []string{ids[2]}})
	if len(mine) != 1 || len(mine[0].Members) != 1 || mine[0].Houses != 9 {
		t.Errorf("an owner sees %+v", mine)
	}
	if other := regionalEvents(t, s, Scope{Properties: []string{ids[11]}}); len(other) != 0 {
		t.Errorf("a house that has power sees %+v", other)
	}
	if _, err := s.RegionalEvent(t.Context(), Scope{Properties: []string{ids[11]}}, got[0].ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("a house that has power asks for it: %v", err)
	}
	st.mains(t, s, start.Add(time.Hour), 1, ids...)
	if c := joinRegional(t, s, start.Add(5*time.Hour)); len(c) != 1 || c[0].Kind != RegionalEnded {
		t.Errorf("power is back: %+v", c)
	}
	if e := regionalEvents(t, s, AllProperties)[0]; !e.Until.Equal(start.Add(time.Hour + 5*time.Minute)) {
		t.Errorf("ended at %s", e.Until)
	}
	var kinds []RegionalChangeKind
	for _, c := range told {
		kinds = append(kinds, c.Kind)
	}
	if want := []RegionalChangeKind{RegionalOpened, RegionalGrew, RegionalEnded}; !slices.Equal(kinds, want) {
		t.Errorf("told %v, want %v", kinds, want)
	}
}

// However the same outage arrives, house by house or at once and with the joining
// in between or not, and by two instances at once: the same events.
func TestRegionalEventsDoNotDependOnArrival(t *testing.T) {
	t.Parallel()
	start := testNow.Add(-12 * time.Hour).Truncate(time.Hour)
	play := func(order []int, often bool) string {
		url := pgtest.New(t, migrateTemplate)
		s, other := openURL(t, url), openURL(t, url)
		st := aStreet(t, s, 9, start)
		if err := other.RefreshRegistry(t.Context()); err != nil {
			t.Fatal(err)
		}
		for at := start.Add(20 * time.Minute); at.Before(start.Add(2 * time.Hour)); at = at.Add(20 * time.Minute) {
			st.mains(t, s, at, 1)
		}
		for _, i := range order {
			st.mains(t, s, start.Add(20*time.Minute+time.Duration(i*i)*time.Minute), 0, st.ids[i])
			if !often {
				continue
			}
			var wg sync.WaitGroup
			for _, x := range []*Store{s, other} {
				wg.Go(func() {
					if _, _, err := x.JoinRegional(t.Context(), testNow); err != nil {
						t.Error(err)
					}
				})
			}
			wg.Wait()
		}
		joinRegional(t, s, testNow)
		return dump(t, s, `SELECT e.kind, e.houses, e.since, e.until, round(e.radius_km::numeric, 6), p.name, m.since
			FROM regional_event e JOIN regional_member m USING (event_id) JOIN property p USING (property_id)
			WHERE dissolved_at IS NULL ORDER BY p.name`)
	}
	want := play([]int{0, 1, 2, 3, 4, 5, 6}, false)
	for _, order := range [][]int{{6, 5, 4, 3, 2, 1, 0}, {3, 0, 6, 1, 5, 2, 4}} {
		if got := play(order, true); got != want || got == "" {
			t.Errorf("order %v: %s\nwant %s", order, got, want)
		}
	}
}
