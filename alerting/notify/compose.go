package notify

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"underkeep/alerting/notify/png"
	"underkeep/alerting/notify/route"
	"underkeep/alerting/notify/send"
	"underkeep/alerting/notify/words"
	"underkeep/store"
	"underkeep/store/site"
	"underkeep/store/site/units"
)

// message is a delivery in words, ready for its channel.
type message struct {
	mail words.Mail
	text string
	png  []byte
}

// reader is who a delivery is for.
func (d *Deliverer) reader(n *store.Notice, c *route.Config, zone *time.Location, own units.System) words.Reader {
	r := words.Reader{Lang: words.ParseLang(n.Person.Language), Units: units.System(cmp.Or(n.Person.Units, string(own), string(units.US))),
		Owner: n.Audience == "owner", Company: c.Company, Phone: c.Phone, Zone: zone}
	if n.Channel == store.ByMail {
		r.StopURL = d.Links.Stop(n.Property, n.ID, n.CreatedAt)
	}
	return r
}

// about puts a delivery about a call-out into words.
func (d *Deliverer) about(ctx context.Context, n *store.Notice, alarms []store.AlarmRecord, late bool, c *route.Config) (message, error) {
	now := d.Now()
	f, err := d.facts(ctx, n.PropertyID, now)
	if err != nil {
		return message{}, err
	}
	zone, err := time.LoadLocation(cmp.Or(f.desc.Timezone, "UTC"))
	if err != nil {
		zone = time.UTC
	}
	m := words.Message{Reader: d.reader(n, c, zone, f.desc.Units), Kind: kindOf(n), Property: words.Line(cmp.Or(f.desc.Name, n.PropertyID)), Late: late,
		ToldAt: n.CreatedAt, PageURL: d.Links.Property(n.PropertyID, n.Audience == "owner")}
	shown := theirs(n, alarms)
	for i := range shown {
		m.Alarms = append(m.Alarms, f.about(&shown[i]))
	}
	if n.Purpose == store.ToldAlarm && !late {
		m.SeenURL = d.Links.Seen(n.Property, n.ID, n.CreatedAt)
	}
	out := message{text: m.Text()}
	if n.Channel == store.ByMail {
		if out.png, m.Chart = d.chart(ctx, &f, m.Units, shown, zone, now); out.png == nil {
			m.Chart = nil
		}
		out.mail = m.Mail()
	}
	return out, nil
}

func kindOf(n *store.Notice) words.AlarmKind {
	switch {
	case n.Purpose == store.ToldReturn:
		return words.Returned
	case n.Purpose == store.ToldCorrection:
		return words.Corrected
	case n.Step > 0:
		return words.Reminder
	}
	return words.Raised
}

// theirs are the alarms that a delivery is about: those that hold; where none
// does, those that did; for a correction, the one that was withdrawn.
func theirs(n *store.Notice, alarms []store.AlarmRecord) []store.AlarmRecord {
	pick := func(keep func(*store.AlarmRecord) bool) []store.AlarmRecord {
		var out []store.AlarmRecord
		for i := range alarms {
			if keep(&alarms[i]) {
				out = append(out, alarms[i])
			}
		}
		return out
	}
	if n.Purpose == store.ToldCorrection {
		return pick(func(a *store.AlarmRecord) bool {
			_, no, _ := store.ParseAlarmID(a.ID)
			return !a.WithdrawnAt.IsZero() && int16(min(no, 1<<15-1)) == n.Step
		})
	}
	if n.Purpose == store.ToldAlarm {
		if open := pick(func(a *store.AlarmRecord) bool { return a.WithdrawnAt.IsZero() && a.ClearedAt.IsZero() }); len(open) > 0 {
			return open
		}
	}
	return pick(func(a *store.AlarmRecord) bool { return a.WithdrawnAt.IsZero() })
}

const (
	chartSpan   = 48 * time.Hour
	chartBucket = 10 * time.Minute
)

// chart draws what the first alarm goes by; nil where there is nothing to draw
// or it cannot be read: an alarm does not wait for its picture.
func (d *Deliverer) chart(ctx context.Context, f *facts, sys units.System, alarms []store.AlarmRecord, zone *time.Location, now time.Time) ([]byte, *words.Chart) {
	if len(alarms) == 0 {
		return nil, nil
	}
	a := slices.MaxFunc(alarms, func(a, b store.AlarmRecord) int {
		return cmp.Or(cmp.Compare(a.Priority, b.Priority), b.RaisedAt.Compare(a.RaisedAt))
	})
	q, point, ok := f.charted(&a)
	if !ok {
		return nil, nil
	}
	to := now.Truncate(chartBucket).Add(chartBucket)
	shown := &words.Chart{Quantity: q, Point: point, From: to.Add(-chartSpan), To: to, Limited: citesOf[a.Condition].limit != ""}
	key := fmt.Sprintf("%s %s %d %s %d %s", f.desc.ID, point, q, sys, to.Unix(), a.ID)
	if b, ok := d.charts.get(key); ok {
		return b, shown
	}
	c := png.Chart{From: shown.From, To: to, Limit: math.NaN(), Raised: a.RaisedAt, Zone: zone, Bars: q == site.PumpRun, Gap: time.Hour}
	list, err := d.Store.Readings(ctx, store.ReadingQuery{Property: f.desc.ID, Point: point, Quantity: q, From: shown.From, To: to})
	if err != nil {
		d.Log.Warn("chart of a message", "property", f.desc.ID, "error", err)
		return nil, nil
	}
	unit := units.Preferred(words.Dimension(q), 1, sys)
	shownValue := func(v float64) float64 {
		if x, err := units.Convert(words.Dimension(q), v, unit); err == nil {
			return x
		}
		return v
	}
	for _, s := range list {
		c.Samples = append(c.Samples, png.Sample{At: s.At, Value: shownValue(s.Value)})
	}
	if k := citesOf[a.Condition]; k.limit != "" {
		c.Limit = shownValue(f.desc.Limits.Value(a.Condition, k.limit))
	}
	b := c.Encode()
	d.charts.put(key, b)
	return b, shown
}

// post makes the mail of a delivery. Its ids come from the outbox, so that every
// attempt carries the same and mailboxes can tell a repetition.
func (d *Deliverer) post(n *store.Notice, m *message, root int64) *send.Mail {
	out := &send.Mail{ID: d.messageID(n.Property, n.ID), To: n.Recipient, Name: words.Line(n.Person.Name), Subject: m.mail.Subject,
		Text: m.mail.Text, HTML: m.mail.HTML, Date: n.CreatedAt, PNG: m.png, PNGName: words.ChartID}
	if root != 0 && root != n.ID {
		out.Root = d.messageID(n.Property, root)
	}
	if n.Purpose != store.ToldSignIn {
		out.StopURL = d.Links.Stop(n.Property, n.ID, n.CreatedAt)
	}
	return out
}

func (d *Deliverer) messageID(property int32, delivery int64) string {
	return fmt.Sprintf("delivery.%d.%d.%x@%s", property, delivery, d.Links.key[:4], d.Mail.Domain())
}

// rootOf a thread is the first message about the call-out to this recipient.
func rootOf(n *store.Notice, siblings []store.Notice) int64 {
	root := n.ID
	for i := range siblings {
		if x := &siblings[i]; x.Round == n.Round && x.Purpose == store.ToldAlarm && x.State != store.NoticeMoot && x.State != store.NoticeGathered {
			root = min(root, x.ID)
		}
	}
	return root
}
