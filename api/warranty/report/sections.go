package report

import (
	"fmt"
	"strings"
	"time"

	"underkeep/api/warranty"
)

// longestList bounds a list on paper; what is left out is counted, and the JSON
// of the verdict has all of it.
const longestList = 60

// list writes up to longestList rows.
func list[T any](p *paper, t *grid, rows []T, cells func(T) []string) {
	for i, r := range rows {
		if i == longestList {
			p.font("", small)
			p.MultiCell(inner, lineHeight, fmt.Sprintf("and %d more; the verdict as JSON lists them all", len(rows)-i), "", "L", false)
			return
		}
		t.row(cells(r)...)
	}
}

func (p *paper) months() {
	p.heading("By month and point")
	p.text("Humidity in %RH as corrected. Known: the share of the month that is known or left out. Above: certainly above the limit; undecided: within the guard band; not known: no reading that counts. Time that is left out is in none of these hours.")
	t := p.table(col{"Month", 18, ""}, col{"Point", 0, ""}, col{"Known", 17, "R"}, col{"Lowest", 16, "R"}, col{"Mean", 16, "R"}, col{"Highest", 16, "R"},
		col{"Above", 18, "R"}, col{"Undecided", 20, "R"}, col{"Not known", 20, "R"})
	for i := range longestMonths(p.in.Verdict) {
		for _, pt := range p.in.Verdict.Points {
			if i < len(pt.Months) {
				m := pt.Months[i]
				t.row(m.Month, pt.Point, fmt.Sprintf("%.1f %%", m.CoveragePct), percent(m.LowPct), percent(m.MeanPct), percent(m.HighPct),
					hours(m.AboveHours), hours(m.OpenHours), hours(m.GapHours))
			}
		}
	}
}

func longestMonths(v warranty.Verdict) int {
	n := 0
	for _, pt := range v.Points {
		n = max(n, len(pt.Months))
	}
	return n
}

func percent(v *float64) string {
	if v == nil {
		return "none"
	}
	return fmt.Sprintf("%.1f", *v)
}

func hours(v float64) string { return fmt.Sprintf("%.1f h", v) }

func (p *paper) events() {
	v := p.in.Verdict
	p.heading("Times above or not certainly below the limit, of an hour and more")
	if len(v.Excursions) == 0 {
		p.text("None.")
	} else {
		t := p.table(col{"Point", 30, ""}, col{"From", 30, ""}, col{"To", 30, ""}, col{"Hours", 16, "R"}, col{"Certain", 18, "R"}, col{"Highest", 20, "R"}, col{"Alarms", 0, ""})
		list(p, t, v.Excursions, func(e warranty.Excursion) []string {
			return []string{e.Point, p.at(e.From), p.at(e.To), fmt.Sprintf("%.1f", e.Hours), fmt.Sprintf("%.1f", e.SureHours), fmt.Sprintf("%.1f %%RH", e.PeakPct), strings.Join(e.Alarms, ", ")}
		})
	}
	p.heading("Gaps of an hour and more")
	if len(v.Gaps) == 0 {
		p.text("None.")
	} else {
		t := p.table(col{"Point", 40, ""}, col{"From", 40, ""}, col{"To", 40, ""}, col{"Hours", 0, "R"})
		list(p, t, v.Gaps, func(g warranty.Gap) []string {
			return []string{g.Point, p.at(g.From), p.at(g.To), fmt.Sprintf("%.1f", g.Hours)}
		})
	}
	p.heading("Left out: counts neither way")
	if len(v.Exclusions) == 0 {
		p.text("Nothing.")
	} else {
		t := p.table(col{"What", 32, ""}, col{"From", 30, ""}, col{"To", 30, ""}, col{"Why", 0, ""})
		list(p, t, v.Exclusions, func(e warranty.Exclusion) []string {
			why := e.Why
			if !e.Sure {
				why += " (left out in the best case only)"
			}
			return []string{e.Kind, p.at(e.From), p.at(e.To), why}
		})
	}
	if len(v.Late) > 0 {
		p.heading("Came too late to prove anything")
		t := p.table(col{"Point", 40, ""}, col{"Quantity", 34, ""}, col{"Readings", 24, "R"}, col{"From", 40, ""}, col{"To", 0, ""})
		list(p, t, v.Late, func(l warranty.Late) []string {
			return []string{l.Point, l.Quantity, fmt.Sprint(l.Readings), p.at(l.From), p.at(l.To)}
		})
	}
}

func (p *paper) answers() {
	p.heading("Alarms and the answer given to each")
	if len(p.in.Verdict.Alarms) == 0 {
		p.text("None.")
		return
	}
	t := p.table(col{"Alarm", 44, ""}, col{"Priority", 17, ""}, col{"Raised", 27, ""}, col{"Over", 27, ""}, col{"Answers", 0, ""})
	list(p, t, p.in.Verdict.Alarms, func(a warranty.Alarm) []string {
		name, over := a.Condition, "still holds"
		if a.Point != "" {
			name += " at " + a.Point
		}
		if a.ClearedAt != nil {
			over = p.at(*a.ClearedAt)
		}
		if a.Withdrawn {
			over = "withdrawn"
		}
		if a.LateChange {
			over += " (a later change came too late to prove anything)"
		}
		if a.Unwitnessed {
			name += ", came too late to prove anything"
		}
		return []string{name + " (" + a.ID + ")", a.Priority, p.at(a.RaisedAt), over, p.answer(a)}
	})
}

func (p *paper) answer(a warranty.Alarm) string {
	var out []string
	for _, x := range a.Answers {
		text := p.at(x.At) + " " + x.Kind + " by " + x.By
		if x.Note != "" {
			text += ": " + x.Note
		}
		if x.Unwitnessed {
			text += " (too late to prove anything)"
		}
		out = append(out, text)
	}
	switch {
	case len(out) > 0:
		return strings.Join(out, "; ")
	case a.Explained != "":
		return "none needed: explained by " + a.Explained
	}
	return "none on record"
}

func (p *paper) care() {
	v := p.in.Verdict
	p.heading("Visits")
	if len(v.Visits) == 0 {
		p.text("None on record.")
	} else {
		t := p.table(col{"Visit", 34, ""}, col{"Kind", 24, ""}, col{"By", 20, ""}, col{"From", 28, ""}, col{"To", 28, ""}, col{"Work and findings", 0, ""})
		list(p, t, v.Visits, func(x warranty.Visit) []string {
			to := "not signed off"
			if !x.To.IsZero() {
				to = p.at(x.To)
			}
			return []string{x.ID, x.Kind, x.By, p.at(x.From), to, strings.TrimSpace(strings.Join(x.Work, ", ") + " " + x.Findings)}
		})
	}
	p.checks()
	if len(v.Outages) > 0 {
		p.heading("Outages reported")
		t := p.table(col{"Outage", 32, ""}, col{"From", 28, ""}, col{"To", 28, ""}, col{"Reported", 28, ""}, col{"By and note", 0, ""})
		list(p, t, v.Outages, func(o warranty.Outage) []string {
			return []string{o.ID, p.at(o.From), p.at(o.To), p.at(o.ReportedAt), strings.TrimSuffix(o.By+": "+o.Note, ": ")}
		})
	}
}

func (p *paper) checks() {
	v := p.in.Verdict
	p.heading("Sensors: checks over saturated salts (ASTM E104, Greenspan 1977) and how each is taken")
	if len(v.Checks) > 0 {
		t := p.table(col{"Point", 30, ""}, col{"Serial", 24, ""}, col{"At", 28, ""}, col{"Salt", 18, ""}, col{"Temperature", 26, "R"}, col{"Expected", 19, "R"}, col{"Read", 17, "R"}, col{"Offset", 0, "R"})
		list(p, t, v.Checks, func(c warranty.Check) []string {
			at := p.at(c.At)
			if !c.CountsFrom.IsZero() {
				at += ", recorded late: counts from " + p.at(c.CountsFrom)
			}
			return []string{c.Point, c.Serial, at, c.Salt, fmt.Sprintf("%.1f °C", c.TempC), fmt.Sprintf("%.2f %%", c.ExpectedPct), fmt.Sprintf("%.2f %%", c.ReadPct), fmt.Sprintf("%+.2f %%RH", c.OffsetPct)}
		})
	} else {
		p.text("No check is on record: each sensor is taken at its stated accuracy.")
	}
	p.Ln(2)
	p.text("What is taken from the readings of each sensor, and how far it is trusted, from which day on:")
	t := p.table(col{"Point", 50, ""}, col{"From", 34, ""}, col{"Taken from readings", 36, "R"}, col{"Standard uncertainty", 36, "R"}, col{"Guard band", 0, "R"})
	for _, pt := range v.Points {
		list(p, t, pt.Trust, func(f warranty.TrustFigure) []string {
			return []string{pt.Point, f.From, fmt.Sprintf("%.2f %%RH", f.OffsetPct), fmt.Sprintf("%.3f %%RH", f.StandardPct), fmt.Sprintf("± %.3f %%RH", f.GuardPct)}
		})
	}
}

func (p *paper) verify() {
	v := p.in.Verdict
	p.heading("How to verify this without us")
	first, last := v.From.In(p.in.Zone).Format(time.DateOnly), v.To.Add(-time.Second).In(p.in.Zone).Format(time.DateOnly)
	p.text("1. Ask for the evidence bundle of the same period: GET /v1/properties/" + v.Property + "/evidence?from=" + first + "&to=" + last + ". It is one ZIP with every sealed day as text, its proof, the signed checkpoint, the terms and this verdict.")
	p.text("2. Take the key of the log from somewhere else than the bundle: from a summary that the owner received earlier, or from GET /v1/evidence/key.")
	p.text("3. Run: underkeep verify BUNDLE --key KEYFILE. It needs no network. It recomputes every hash, every proof and the verdict, and names the first thing that does not fit.")
	p.text("4. Without our program: README.txt in the bundle gives the commands, with sha256sum and openssl, to follow one day to the signature by hand.")
	p.text("5. A checkpoint that was kept from an earlier summary shows whether the log was rewritten since.")
}

func (p *paper) cautions() {
	p.heading("Cautions, and what this is not")
	for _, c := range p.in.Verdict.Cautions {
		p.text(c)
	}
}
