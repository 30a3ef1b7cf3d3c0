package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"underkeep/alerting/notify/png"
	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/visit"
)

// period is what a summary is about; its delivery carries it.
type period struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Summaries enqueues the summaries that have come due, and moves their rows on.
// It may run at any time, in any instance: what is due stands in the database.
func (d *Deliverer) Summaries(ctx context.Context) error {
	now := d.Now()
	if err := d.Store.EnsureSummaries(ctx, d.firstDue(now)); err != nil {
		return err
	}
	for {
		n, err := d.Store.TakeSummaries(ctx, now, func(tx pgx.Tx, due []store.SummaryDue) ([]store.SummaryDue, error) {
			return d.planSummaries(ctx, tx, due, now)
		})
		if err != nil || n == 0 {
			return err
		}
	}
}

// firstDue says when the first summary of a property, or of the fleet, is due.
func (d *Deliverer) firstDue(now time.Time) func(property string) time.Time {
	return func(property string) time.Time {
		if property == "" {
			zone, _ := d.home(&store.Notice{})
			return nextWeekly(now, zone)
		}
		_, zone := d.Planner.place(property)
		return nextMonthly(now, zone)
	}
}

const summaryHour = 9

// nextMonthly is nine o'clock on the first day of the next month, by the wall
// clock of the property.
func nextMonthly(now time.Time, zone *time.Location) time.Time {
	y, m, _ := now.In(zone).Date()
	for i := 0; ; i++ {
		if at := time.Date(y, m+time.Month(i), 1, summaryHour, 0, 0, 0, zone); at.After(now) {
			return at
		}
	}
}

// monthBefore is the calendar month before the day on which its summary is due.
func monthBefore(due time.Time, zone *time.Location) period {
	y, m, _ := due.In(zone).Date()
	return period{time.Date(y, m-1, 1, 0, 0, 0, 0, zone), time.Date(y, m, 1, 0, 0, 0, 0, zone)}
}

// nextWeekly is nine o'clock next Monday.
func nextWeekly(now time.Time, zone *time.Location) time.Time {
	y, m, day := now.In(zone).Date()
	for i := 0; ; i++ {
		if at := time.Date(y, m, day+i, summaryHour, 0, 0, 0, zone); at.After(now) && at.Weekday() == time.Monday {
			return at
		}
	}
}

func weekBefore(due time.Time, zone *time.Location) period {
	y, m, day := due.In(zone).Date()
	return period{time.Date(y, m, day-7, 0, 0, 0, 0, zone), time.Date(y, m, day, 0, 0, 0, 0, zone)}
}

// staleSummary is when a summary comes too late to be sent: after the service
// was down for weeks nobody wants three at once.
const staleSummary = 10 * 24 * time.Hour

func (d *Deliverer) planSummaries(ctx context.Context, tx pgx.Tx, due []store.SummaryDue, now time.Time) ([]store.SummaryDue, error) {
	nums := make([]int32, 0, len(due))
	for _, x := range due {
		nums = append(nums, x.Property)
	}
	people, err := d.Store.Addressees(ctx, tx, nums)
	if err != nil {
		return nil, err
	}
	var out []store.NewNotice
	next := make([]store.SummaryDue, 0, len(due))
	for _, x := range due {
		zone, _ := d.home(&store.Notice{PropertyID: x.PropertyID})
		late := now.Sub(x.DueAt) > staleSummary
		n := store.NewNotice{Property: x.Property, Channel: store.ByMail, DueAt: now, ExpiresAt: now.Add(7 * 24 * time.Hour)}
		role := store.RoleOwner
		if x.Kind == "weekly" {
			p := weekBefore(x.DueAt, zone)
			n.Purpose, n.Content, n.Subject, role = store.ToldWeekly, p, "week:"+p.From.Format(time.DateOnly), store.RoleManager
			x.DueAt = nextWeekly(latest(x.DueAt, now), zone)
		} else {
			p := monthBefore(x.DueAt, zone)
			n.Purpose, n.Content, n.Subject, n.Audience = store.ToldSummary, p, "month:"+p.From.Format("2006-01"), "owner"
			x.DueAt = nextMonthly(latest(x.DueAt, now), zone)
		}
		next = append(next, x)
		if late {
			continue
		}
		for i := range people {
			if p := &people[i]; p.Role == role && p.Email != "" && (x.Property == 0 && p.Everything || x.Property != 0 && p.Concerns(x.Property)) {
				n.Person, n.Recipient = p.ID, p.Email
				out = append(out, n)
			}
		}
	}
	_, err = d.Store.InsertNotices(ctx, tx, now, out)
	return next, err
}

func (d *Deliverer) summary(ctx context.Context, n *store.Notice, r words.Reader) (m message, empty string, err error) {
	var p period
	if err := json.Unmarshal(n.Content, &p); err != nil {
		return m, "", fmt.Errorf("period of delivery %d: %w", n.ID, err)
	}
	reg, ok := d.Store.Registry().Property(n.PropertyID)
	if !ok {
		return m, "the property is gone", nil
	}
	desc, err := reg.Current()
	if err != nil {
		return m, "", err
	}
	s := words.Summary{Reader: r, Property: words.Line(desc.Name), Month: p.From.Add(12 * time.Hour), PumpCycles: -1,
		LimitPct: desc.Limits.Value(site.HumidityHigh, "above"), PageURL: d.Links.Property(n.PropertyID, true)}
	if m.png, err = d.month(ctx, &s, &desc, p); err != nil {
		return m, "", err
	}
	if s.Happened, err = d.happened(ctx, n.PropertyID, p); err != nil {
		return m, "", err
	}
	if s.Visits, err = d.visited(ctx, n.PropertyID, p); err != nil {
		return m, "", err
	}
	if d.Anchor != nil {
		if s.Checkpoint, err = d.Anchor(ctx); err != nil {
			return m, "", fmt.Errorf("checkpoint for a summary: %w", err)
		}
	}
	m.mail = s.Mail()
	return m, "", nil
}

// month sums up the readings of a period and draws them. Hours are the grain:
// an hour counts as measured when any indoor point spoke in it, and its
// humidity is the median over the points of their means.
func (d *Deliverer) month(ctx context.Context, s *words.Summary, desc *site.Property, p period) ([]byte, error) {
	hours := map[time.Time][]float64{}
	chart := png.Chart{From: p.From, To: p.To, Limit: s.LimitPct, Zone: s.Zone, Gap: 6 * time.Hour}
	for i := range desc.Points {
		pt := &desc.Points[i]
		if slices.Contains(pt.Measures, site.PumpRun) && pt.Pump == "" {
			runs, err := d.Store.Readings(ctx, store.ReadingQuery{Property: desc.ID, Point: pt.ID, Quantity: site.PumpRun, From: p.From, To: p.To})
			if err != nil && !errors.Is(err, store.ErrNotFound) {
				return nil, err
			}
			s.PumpCycles = max(s.PumpCycles, 0) + len(runs)
		}
		if !slices.Contains(pt.Measures, site.RH) || pt.Outdoors {
			continue
		}
		list, err := d.Store.Buckets(ctx, store.ReadingQuery{Property: desc.ID, Point: pt.ID, Quantity: site.RH, From: p.From, To: p.To}, time.Hour)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return nil, err
		}
		for _, b := range list {
			hours[b.At] = append(hours[b.At], b.Mean)
			s.MostRHPct = max(s.MostRHPct, b.High)
		}
	}
	var sum float64
	for at, list := range hours {
		slices.Sort(list)
		median := (list[(len(list)-1)/2] + list[len(list)/2]) / 2
		sum += median
		if median > s.LimitPct {
			s.AboveHours++
		}
		chart.Samples = append(chart.Samples, png.Sample{At: at, Value: median})
	}
	s.Covered = math.Min(1, float64(len(hours))/math.Round(p.To.Sub(p.From).Hours()))
	if len(hours) == 0 {
		return nil, nil
	}
	s.MeanRHPct = sum / float64(len(hours))
	slices.SortFunc(chart.Samples, func(a, b png.Sample) int { return a.At.Compare(b.At) })
	s.Chart = &words.Chart{Quantity: site.RH, From: p.From, To: p.To, Limited: true}
	return chart.Encode(), nil
}

// happened lists the month's alarms that people heard of, oldest first.
func (d *Deliverer) happened(ctx context.Context, property string, p period) ([]words.Happened, error) {
	var out []words.Happened
	q := store.AlarmQuery{Scope: store.Scope{Properties: []string{property}}, Property: property, From: p.From, To: p.To, Limit: 500, Now: d.Now()}
	page, _, err := d.Store.Alarms(ctx, q)
	if err != nil {
		return nil, err
	}
	for i := range page {
		a := &page[i]
		if a.SuppressedBy != "" || !a.WithdrawnAt.IsZero() {
			continue
		}
		out = append(out, words.Happened{Alarm: words.Alarm{Condition: a.Condition, Point: a.Point, Priority: a.Priority, RaisedAt: a.RaisedAt,
			OverAt: a.ClearedAt, AnsweredBy: a.AcknowledgedBy, AnsweredAt: a.AcknowledgedAt}})
	}
	slices.Reverse(out)
	const most = 20
	if len(out) > most {
		out = out[len(out)-most:]
	}
	return out, nil
}

// visited lists the visits that were signed off in the month.
func (d *Deliverer) visited(ctx context.Context, property string, p period) ([]words.VisitDone, error) {
	list, err := d.Store.VisitsBetween(ctx, store.AllProperties, property, p.From, p.To)
	if err != nil {
		return nil, err
	}
	var out []words.VisitDone
	for _, v := range list {
		if v.State != visit.Done || !v.EndedAt.Before(p.To) {
			continue
		}
		w := words.VisitDone{At: v.EndedAt, Kind: v.Kind, Findings: v.Findings, Work: v.Work}
		for _, part := range v.Parts {
			w.Parts = append(w.Parts, part.Part)
		}
		out = append(out, w)
	}
	return out, nil
}

func (d *Deliverer) weekly(ctx context.Context, n *store.Notice, r words.Reader) (m message, empty string, err error) {
	var p period
	if err := json.Unmarshal(n.Content, &p); err != nil {
		return m, "", fmt.Errorf("period of delivery %d: %w", n.ID, err)
	}
	w := words.Weekly{Reader: r, From: p.From, To: p.To, PageURL: d.Links.Today()}
	load, err := d.Store.WeekLoad(ctx, p.From, p.To)
	if err != nil {
		return m, "", err
	}
	w.Alarms, w.CallOuts, w.Properties, w.Quarantine, w.Dead = load.Alarms, load.CallOuts, load.Properties, load.Quarantine, load.Dead
	for _, x := range load.Worst {
		w.Worst = append(w.Worst, fmt.Sprintf("%s: %d", d.name(x.Property), x.Alarms))
	}
	if d.Service != nil {
		if w.Service, w.Checks, err = d.Service(ctx, p.To, r.Lang); err != nil {
			return m, "", err
		}
	}
	m.mail = w.Mail()
	return m, "", nil
}
