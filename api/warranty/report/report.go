// Package report writes a verdict down to be filed with a claim: a PDF of
// letter size, with the verdict first. The same verdict gives the same bytes.
package report

import (
	"bytes"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"underkeep/api/warranty"
)

// Input of a report.
type Input struct {
	Verdict warranty.Verdict
	Name    string // of the house
	Zone    *time.Location
}

// FileName is what a report is called when it is saved.
func FileName(v warranty.Verdict) string {
	return fmt.Sprintf("%s_%s_%s_conditions.pdf", v.Property, v.From.Format("20060102"), v.To.Format("20060102"))
}

const (
	pageWidth  = 215.9 // mm, letter
	pageHeight = 279.4
	margin     = 16.0
	inner      = pageWidth - 2*margin
	lineHeight = 4.3
	small      = 8.0 // pt
	body       = 9.0
)

// paper is a report in the making.
type paper struct {
	*fpdf.Fpdf
	in Input
}

// PDF writes the report.
func PDF(in Input) (out []byte, err error) {
	if in.Zone == nil {
		in.Zone = time.UTC
	}
	// The library panics on what it cannot take; clean leaves it nothing of that
	// kind, and a report must not take the service down if it finds another.
	defer func() {
		if r := recover(); r != nil {
			out, err = nil, fmt.Errorf("write the PDF: %v", r)
		}
	}()
	p := newPaper(in)
	p.first()
	p.results()
	p.charts()
	p.months()
	p.events()
	p.answers()
	p.care()
	p.verify()
	p.cautions()
	var b bytes.Buffer
	if err := p.Output(&b); err != nil {
		return nil, fmt.Errorf("write the PDF: %w", err)
	}
	return b.Bytes(), nil
}

func newPaper(in Input) *paper {
	p := &paper{fpdf.New("P", "mm", "Letter", ""), in}
	p.SetMargins(margin, margin, margin)
	p.SetAutoPageBreak(true, margin+4)
	p.AddUTF8FontFromBytes("report", "", regular)
	p.AddUTF8FontFromBytes("report", "B", bold)
	// Nothing of the moment of writing goes in: the end of the period stands for
	// it.
	p.SetCreationDate(in.Verdict.To.UTC())
	p.SetModificationDate(in.Verdict.To.UTC())
	p.SetCatalogSort(true)
	p.SetProducer("Underkeep", true)
	p.SetTitle(clean("Warranty conditions, "+in.Name), true)
	p.SetLang("en")
	p.AliasNbPages("")
	p.SetFooterFunc(func() {
		p.SetY(-margin)
		p.font("", small)
		p.ink(90)
		p.CellFormat(inner/2, lineHeight, clean(in.Verdict.Property+", "+p.period()), "", 0, "L", false, 0, "")
		p.CellFormat(inner/2, lineHeight, fmt.Sprintf("page %d of {nb}", p.PageNo()), "", 0, "R", false, 0, "")
		p.ink(0)
	})
	p.AddPage()
	return p
}

func (p *paper) font(style string, size float64) { p.SetFont("report", style, size) }

// ink is a grey from 0 (black) to 255.
func (p *paper) ink(grey int) { p.SetTextColor(grey, grey, grey) }

// period in the calendar of the house, both days included.
func (p *paper) period() string { return p.days(p.in.Verdict.From, p.in.Verdict.To) }

func (p *paper) days(from, to time.Time) string {
	return from.In(p.in.Zone).Format("2006-01-02") + " through " + to.Add(-time.Second).In(p.in.Zone).Format("2006-01-02")
}

func (p *paper) at(t time.Time) string { return t.In(p.in.Zone).Format("2006-01-02 15:04") }

func (p *paper) heading(text string) {
	if p.GetY() > pageHeight-margin-45 { // room for a line of text and the first row of a table
		p.AddPage()
	}
	p.Ln(3)
	p.font("B", 11)
	p.MultiCell(inner, 5.5, clean(text), "", "L", false)
	p.Ln(0.8)
	p.font("", body)
}

func (p *paper) text(text string) {
	p.font("", body)
	p.MultiCell(inner, lineHeight, clean(text), "", "L", false)
	p.Ln(0.8)
}

var outcomeWords = map[warranty.Outcome]string{warranty.Kept: "Kept", warranty.NotKept: "Not kept", warranty.NotProven: "Not proven"}

func (p *paper) first() {
	v := p.in.Verdict
	p.font("B", 15)
	p.MultiCell(inner, 7, clean("Warranty conditions: "+p.in.Name), "", "L", false)
	p.font("", body)
	p.text(fmt.Sprintf("Property %s. Judged: %s, %d local days (%s).", v.Property, p.period(), v.Days, v.Zone))
	p.Ln(1)
	p.font("B", 22)
	p.SetLineWidth(0.6)
	p.CellFormat(inner, 13, clean(outcomeWords[v.Outcome]), "1", 1, "C", false, 0, "")
	p.SetLineWidth(0.2)
	p.Ln(2)
	p.font("B", body)
	p.MultiCell(inner, lineHeight, clean(v.Summary), "", "L", false)
	p.Ln(1)
	p.text(v.Rule)
	if n := len(v.Unsealed); n > 0 {
		p.text(fmt.Sprintf("%d of these days are not in the signed log yet. A bundle leaves them out, and whoever verifies it comes to a verdict without them.", n))
	}
}

func (p *paper) results() {
	for _, piece := range p.in.Verdict.Pieces {
		title := "No terms in force"
		if piece.Terms != "" {
			title = fmt.Sprintf("%s version %d (%s)", piece.Terms, piece.Version, piece.Title)
		}
		p.heading(fmt.Sprintf("%s: %s, %s", title, p.days(piece.From, piece.To), outcomeWords[piece.Outcome]))
		t := p.table(col{"Term", 46, ""}, col{"Limit", 17, "R"}, col{"Best case", 19, "R"}, col{"Worst case", 19, "R"}, col{"Verdict", 20, ""}, col{"Why, and what would have changed it", 0, ""})
		for _, r := range piece.Results {
			words, figures := "not judged", [3]string{"", "", ""}
			if r.Applies {
				words = outcomeWords[r.Outcome]
				figures = [3]string{figure(r.Limit, r.Unit), figure(r.Best, r.Unit), figure(r.Worst, r.Unit)}
				if r.Term == warranty.TermWork { // counts of entries, of which none is allowed
					figures = [3]string{"none", fmt.Sprint(r.Best), fmt.Sprint(r.Worst)}
				}
			}
			name := warranty.TermWords(r.Term)
			if r.Point != "" {
				name += " at " + r.Point
			}
			why := r.Reason
			if r.Changed != "" {
				why += " Otherwise: " + r.Changed
			}
			t.row(name, figures[0], figures[1], figures[2], words, why)
		}
	}
}

func figure(v float64, unit string) string {
	decimals := 1
	if unit == "" {
		decimals = 2
	}
	s := fmt.Sprintf("%.*f", decimals, v)
	if unit != "" {
		s += " " + unit
	}
	return s
}
