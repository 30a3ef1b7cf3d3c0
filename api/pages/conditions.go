package pages

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"underkeep/api/pages/chart"
	"underkeep/api/view"
	"underkeep/api/warranty"
	"underkeep/api/warranty/report"
	"underkeep/store/site"
)

// outcomeWords are the verdict for people; the courses of its mark rise with
// what there is to answer for.
var outcomeWords = map[warranty.Outcome]state{
	warranty.Kept: {0, "Kept"}, warranty.NotProven: {2, "Not proven"}, warranty.NotKept: {4, "Not kept"},
}

type deskPage struct {
	frame
	Search, From, To string
	Asked            bool
	Found            []deskRow
	More             bool
}

type deskRow struct{ ID, Name, Area, Link string }

// deskList is how many houses the desk shows for a search.
const deskList = 25

// desk is where somebody chooses a house and a period.
func (p *pages) desk(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	page := deskPage{frame: p.frame(r, "Warranty"), Search: cutSearch(q.Get("q")), From: q.Get("from"), To: q.Get("to"), Asked: q.Has("q")}
	page.Refresh = false
	scope := visitOf(r).Scope()
	if page.Search != "" {
		if prop, err := p.Source.Property(r.Context(), scope, page.Search); err == nil {
			http.Redirect(w, r, conditionsLink(prop.ID, page.From, page.To), http.StatusSeeOther)
			return
		}
	}
	found, next, err := p.Source.Properties(r.Context(), scope, view.PropertyQuery{Search: page.Search, Limit: deskList})
	if err != nil {
		p.fail(w, r, err)
		return
	}
	page.More = next != ""
	for _, prop := range found {
		page.Found = append(page.Found, deskRow{prop.ID, prop.Name, prop.Area, conditionsLink(prop.ID, page.From, page.To)})
	}
	p.render(w, r, http.StatusOK, "warranty.html", page)
}

func cutSearch(text string) string { return strings.ToValidUTF8(text[:min(len(text), 80)], "") }

func conditionsLink(id, from, to string) string {
	return "/properties/" + url.PathEscape(id) + "/conditions" + periodQuery(from, to)
}

// periodQuery is "" for a period without bounds.
func periodQuery(from, to string) string {
	v := url.Values{}
	if from != "" {
		v.Set("from", from)
	}
	if to != "" {
		v.Set("to", to)
	}
	if len(v) == 0 {
		return ""
	}
	return "?" + v.Encode()
}

type conditionsPage struct {
	frame
	ID, Name, From, To, Wrong string
	Verdict                   *warranty.Verdict
	State                     state
	Period, Zone              string
	Pieces                    []pieceShown
	Charts                    []chartShown
	Months                    []monthShown
	Excursions, Gaps, Out     [][]string
	Late                      [][]string
	Alarms, Visits, Checks    [][]string
	Outages                   [][]string
	Left                      string // what the tables leave out
	Report, Bundle            string
	Evidence, JSON            string // for programs
	SetsTerms                 bool
	Sealing                   string
}

type pieceShown struct {
	Title, Period string
	State         state
	Results       []resultShown
}

type resultShown struct {
	Term, Point, Limit, Best, Worst, Why, Changed, Behind string
	State                                                 state
	Applies                                               bool
}

type monthShown struct{ Cells []string }

// conditions shows the verdict on one house and period, or asks for a period
// that can be meant.
func (p *pages) conditions(w http.ResponseWriter, r *http.Request) {
	page, v, prop, ok := p.judge(w, r)
	if !ok {
		return
	}
	if v == nil {
		p.render(w, r, http.StatusBadRequest, "conditions.html", page)
		return
	}
	t := conditionsTeller{prop.Zone()}
	page.fill(v, t)
	p.render(w, r, http.StatusOK, "conditions.html", page)
}

// conditionsReport is the same as a file.
func (p *pages) conditionsReport(w http.ResponseWriter, r *http.Request) {
	page, v, prop, ok := p.judge(w, r)
	if !ok {
		return
	}
	if v == nil {
		p.render(w, r, http.StatusBadRequest, "conditions.html", page)
		return
	}
	pdf, err := report.PDF(report.Input{Verdict: *v, Name: prop.Name, Zone: prop.Zone()})
	if err != nil {
		p.fail(w, r, fmt.Errorf("report on %s: %w", prop.ID, err))
		return
	}
	w.Header().Set("Content-Type", "application/pdf")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", report.FileName(*v)))
	_, _ = w.Write(pdf) // the client may be gone
}

// evidence is the bundle of the same period, as a file.
func (p *pages) evidence(w http.ResponseWriter, r *http.Request) {
	scope, q := visitOf(r).Scope(), r.URL.Query()
	prop, err := p.Source.Property(r.Context(), scope, chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return
	}
	first, after, err := warranty.ParsePeriod(q.Get("from"), q.Get("to"), &prop.Property, p.Now())
	if err != nil || !first.Before(after) {
		p.fail(w, r, view.ErrInvalid)
		return
	}
	bundle, err := p.Source.EvidenceBundle(r.Context(), scope, prop.ID, first, after)
	if errors.Is(err, view.ErrNotFound) || errors.Is(err, view.ErrConflict) {
		p.message(w, r, http.StatusConflict, "Nothing is sealed yet", "No day of this period is in the signed log yet. Days are sealed some days after they end.")
		return
	}
	if err != nil {
		p.fail(w, r, err)
		return
	}
	entry := view.AuditEntry{Actor: visitOf(r).Actor, Action: "evidence-read", Object: r.URL.RequestURI(), Source: p.Access.Source(r), Detail: "on the page"}
	if err := p.Source.Note(r.Context(), entry); err != nil {
		p.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", fmt.Sprintf("%s_%s_%s_evidence.zip", prop.ID, first, after.AddDays(-1))))
	_, _ = w.Write(bundle) // the client may be gone
}

// judge answers by itself, and returns false, where there is nothing to show. A
// period that cannot be meant gives a page without a verdict that says why.
func (p *pages) judge(w http.ResponseWriter, r *http.Request) (conditionsPage, *warranty.Verdict, view.Property, bool) {
	scope := visitOf(r).Scope()
	prop, err := p.Source.Property(r.Context(), scope, chi.URLParam(r, "id"))
	if err != nil {
		p.fail(w, r, err)
		return conditionsPage{}, nil, prop, false
	}
	q := r.URL.Query()
	page := conditionsPage{frame: p.frame(r, "Warranty: "+prop.Name), ID: prop.ID, Name: prop.Name, From: q.Get("from"), To: q.Get("to"), Zone: prop.Timezone}
	page.Refresh, page.SetsTerms = false, visitOf(r).May(view.SetTerms)
	first, after, err := warranty.ParsePeriod(page.From, page.To, &prop.Property, p.Now())
	if err != nil {
		page.Wrong = err.Error()
		return page, nil, prop, true
	}
	in, err := p.Source.ConditionsInput(r.Context(), scope, prop.ID, first, after)
	if err != nil {
		p.fail(w, r, err)
		return page, nil, prop, false
	}
	v, err := warranty.Judge(in)
	if err != nil {
		p.fail(w, r, err)
		return page, nil, prop, false
	}
	page.From, page.To = first.String(), after.AddDays(-1).String()
	return page, &v, prop, true
}

// conditionsTeller writes times in the zone of the house.
type conditionsTeller struct{ zone *time.Location }

func (t conditionsTeller) at(x time.Time) string { return x.In(t.zone).Format("2006-01-02 15:04") }

// longestTable bounds what a page lists; the report and the JSON have more.
const longestTable = 40

func (c *conditionsPage) fill(v *warranty.Verdict, t conditionsTeller) {
	c.Verdict, c.State = v, outcomeWords[v.Outcome]
	c.Period = fmt.Sprintf("%s through %s, %d local days", c.From, c.To, v.Days)
	query := periodQuery(c.From, c.To)
	base := "/properties/" + c.ID
	c.Report, c.Bundle = base+"/report"+query, base+"/evidence"+query
	c.Evidence, c.JSON = "/v1"+base+"/evidence"+query, "/v1"+base+"/conditions"+query
	for _, p := range v.Pieces {
		c.Pieces = append(c.Pieces, showPiece(p, t))
	}
	for i, pt := range v.Points {
		c.Charts = append(c.Charts, conditionsChart(v, pt, i, t.zone))
		for _, m := range pt.Months {
			c.Months = append(c.Months, monthShown{[]string{m.Month, pt.Point, fmt.Sprintf("%.1f %%", m.CoveragePct), pct(m.LowPct), pct(m.MeanPct), pct(m.HighPct),
				hoursText(m.AboveHours), hoursText(m.OpenHours), hoursText(m.GapHours)}})
		}
	}
	c.fillTables(v, t)
	if n := len(v.Unsealed); n > 0 {
		c.Sealing = fmt.Sprintf("%d of %d days are not in the signed log yet; a bundle names them and leaves them out.", n, v.Days)
	}
}

func showPiece(p warranty.Piece, t conditionsTeller) pieceShown {
	out := pieceShown{Title: "No terms in force", Period: t.at(p.From) + " to " + t.at(p.To), State: outcomeWords[p.Outcome]}
	if p.Terms != "" {
		out.Title = fmt.Sprintf("%s, version %d: %s", p.Terms, p.Version, p.Title)
	}
	for _, r := range p.Results {
		s := resultShown{Term: capitalWord(warranty.TermWords(r.Term)), Point: r.Point, Why: r.Reason, Changed: r.Changed, State: outcomeWords[r.Outcome], Applies: r.Applies}
		if r.Applies {
			s.Limit, s.Best, s.Worst = figureText(r.Limit, r.Unit), figureText(r.Best, r.Unit), figureText(r.Worst, r.Unit)
		}
		if b := r.Behind; b != nil && r.Outcome != warranty.Kept {
			s.Behind = t.at(b.From) + " to " + t.at(b.To)
			if b.At != nil && b.Corrected > 0 {
				s.Behind += fmt.Sprintf("; highest %.1f %%RH at %s, guard band ± %.1f", b.Corrected, t.at(*b.At), b.Guard)
			}
			if len(b.Alarms) > 0 {
				s.Behind += "; alarms " + strings.Join(b.Alarms, ", ")
			}
		}
		out.Results = append(out.Results, s)
	}
	return out
}

func capitalWord(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func figureText(v float64, unit string) string {
	if unit == "" {
		return fmt.Sprintf("%.2f", v)
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") + " " + unit
}

func pct(v *float64) string {
	if v == nil {
		return "none"
	}
	return fmt.Sprintf("%.1f %%", *v)
}

func hoursText(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") + " h" }

func conditionsChart(v *warranty.Verdict, pt warranty.Point, i int, zone *time.Location) chartShown {
	c := chart.Chart{ID: fmt.Sprintf("point-%d", i), Title: "Relative humidity at " + pt.Point, Unit: " %", Decimals: 1, From: v.From, To: v.To, Zone: zone}
	line := chart.Line{Name: pt.Point, Style: 1, Gap: pt.Gap}
	for _, s := range pt.Line {
		line.Samples = append(line.Samples, chart.Sample(s))
	}
	c.Lines = []chart.Line{line}
	for _, p := range v.Pieces {
		if p.LimitRHPct > 0 && (len(c.Limits) == 0 || c.Limits[len(c.Limits)-1].Value != p.LimitRHPct) {
			c.Limits = append(c.Limits, chart.Limit{Value: p.LimitRHPct, Name: fmt.Sprintf("limit %g %%", p.LimitRHPct)})
		}
	}
	n := 0
	for _, e := range v.Excursions {
		if e.Point == pt.Point && n < 12 {
			n++
			c.Marks = append(c.Marks, chart.Mark{From: e.From, To: e.To, Label: fmt.Sprint(n), Title: fmt.Sprintf("above or not certainly below for %.1f h", e.Hours)})
		}
	}
	for _, x := range v.Visits {
		if !x.From.Before(v.From) && x.From.Before(v.To) {
			c.Marks = append(c.Marks, chart.Mark{From: x.From, To: x.To, Label: "v", Title: "visit " + x.ID})
		}
	}
	return chartShown{Title: c.Title, SVG: c.SVG(), Note: "Corrected readings. Numbered: above the limit or not certainly below it. v: a visit. Hatched: nothing known."}
}

// rowsOf lists up to longestTable rows.
func rowsOf[T any](c *conditionsPage, what string, list []T, cells func(T) []string) [][]string {
	var out [][]string
	for i, x := range list {
		if i == longestTable {
			c.Left = strings.TrimPrefix(fmt.Sprintf("%s, %d more %s", c.Left, len(list)-i, what), ", ")
			break
		}
		out = append(out, cells(x))
	}
	return out
}

func (c *conditionsPage) fillTables(v *warranty.Verdict, t conditionsTeller) {
	c.Excursions = rowsOf(c, "times above", v.Excursions, func(e warranty.Excursion) []string {
		return []string{e.Point, t.at(e.From), t.at(e.To), hoursText(e.Hours), hoursText(e.SureHours), fmt.Sprintf("%.1f %%", e.PeakPct), strings.Join(e.Alarms, ", ")}
	})
	c.Gaps = rowsOf(c, "gaps", v.Gaps, func(g warranty.Gap) []string {
		return []string{g.Point, t.at(g.From), t.at(g.To), hoursText(g.Hours)}
	})
	c.Out = rowsOf(c, "times left out", v.Exclusions, func(e warranty.Exclusion) []string {
		how := "in every case"
		if !e.Sure {
			how = "in the best case only"
		}
		return []string{strings.ReplaceAll(e.Kind, "-", " "), t.at(e.From), t.at(e.To), e.Why, how}
	})
	c.Late = rowsOf(c, "late series", v.Late, func(l warranty.Late) []string {
		q, _ := site.ParseQuantity(l.Quantity)
		return []string{l.Point, quantityWords[q], fmt.Sprint(l.Readings), t.at(l.From), t.at(l.To)}
	})
	c.Alarms = rowsOf(c, "alarms", v.Alarms, func(a warranty.Alarm) []string {
		over, answer := "still holds", "none on record"
		if a.ClearedAt != nil {
			over = t.at(*a.ClearedAt)
		}
		if a.LateChange {
			over += " (a later change came too late to prove anything)"
		}
		if a.Explained != "" {
			answer = "explained by “" + wordsFor(site.Condition(a.Explained)).Title + "”"
		}
		var given []string
		for _, x := range a.Answers {
			text := strings.TrimSuffix(t.at(x.At)+" "+x.Kind+" by "+x.By+": "+x.Note, ": ")
			if x.Unwitnessed {
				text += " (too late to prove anything)"
			}
			given = append(given, text)
		}
		if len(given) > 0 {
			answer = strings.Join(given, "; ")
		}
		title := wordsFor(site.Condition(a.Condition)).Title
		if a.Unwitnessed {
			title += " (came too late to prove anything)"
		}
		return []string{title, a.Point, t.at(a.RaisedAt), over, answer}
	})
	c.Visits = rowsOf(c, "visits", v.Visits, func(x warranty.Visit) []string {
		to := "not signed off"
		if !x.To.IsZero() {
			to = t.at(x.To)
		}
		return []string{strings.ReplaceAll(x.Kind, "-", " "), x.By, t.at(x.From), to, strings.Join(x.Work, ", "), x.Findings}
	})
	c.Checks = rowsOf(c, "checks", v.Checks, func(k warranty.Check) []string {
		at := t.at(k.At)
		if !k.CountsFrom.IsZero() {
			at += ", recorded late: counts from " + t.at(k.CountsFrom)
		}
		return []string{k.Point, at, k.Salt, fmt.Sprintf("%.1f °C", k.TempC), fmt.Sprintf("%.2f %%", k.ExpectedPct), fmt.Sprintf("%.2f %%", k.ReadPct), fmt.Sprintf("%+.2f", k.OffsetPct)}
	})
	c.Outages = rowsOf(c, "outages", v.Outages, func(o warranty.Outage) []string {
		return []string{t.at(o.From), t.at(o.To), t.at(o.ReportedAt), o.By, o.Note}
	})
}

// rowsShown is a table of the page, with the id of its heading.
type rowsShown struct {
	ID, Title string
	Rows      [][]string
	Head      []string
}

// rows is a function of templates.
func rows(title string, list [][]string, head ...string) rowsShown {
	id := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' {
			return r
		}
		return -1
	}, strings.ToLower(title))
	return rowsShown{id + "-h", title, list, head}
}
