package report

import "math"

// col is a column: its heading, its width in mm (0: what is left) and L or R.
type col struct {
	head  string
	width float64
	align string
}

type grid struct {
	p     *paper
	cols  []col
	begun bool // its heading is on the page
}

const cellPad = 1.2

// table begins one; its heading comes with the first row, never alone at the foot
// of a page.
func (p *paper) table(cols ...col) *grid {
	left := inner
	for _, c := range cols {
		left -= c.width
	}
	for i := range cols {
		if cols[i].width == 0 {
			cols[i].width = left
		}
		if cols[i].align == "" {
			cols[i].align = "L"
		}
	}
	return &grid{p: p, cols: cols}
}

func (t *grid) header() {
	t.draw("B", t.heads())
	t.begun = true
}

func (t *grid) heads() []string {
	heads := make([]string, len(t.cols))
	for i, c := range t.cols {
		heads[i] = c.head
	}
	return heads
}

// row writes one, on a new page with the heading again where it does not fit.
func (t *grid) row(cells ...string) {
	t.p.font("", small)
	need := t.height(cells)
	if !t.begun {
		need += t.height(t.heads())
	}
	if t.p.GetY()+need > pageHeight-margin-6 {
		t.p.AddPage()
		t.begun = false
	}
	if !t.begun {
		t.header()
	}
	t.draw("", cells)
}

func (t *grid) lines(i int, cell string) []string {
	var out []string
	out = append(out, t.p.SplitText(clean(cell), t.cols[i].width-2*cellPad)...)
	return out
}

func (t *grid) height(cells []string) float64 {
	most := 1.0
	for i, c := range cells {
		most = math.Max(most, float64(len(t.lines(i, c))))
	}
	return most*3.7 + 1.4
}

func (t *grid) draw(style string, cells []string) {
	p := t.p
	p.font(style, small)
	height := t.height(cells)
	x, y := margin, p.GetY()
	for i, c := range cells {
		for k, line := range t.lines(i, c) {
			p.SetXY(x+cellPad, y+0.7+float64(k)*3.7)
			p.CellFormat(t.cols[i].width-2*cellPad, 3.7, line, "", 0, t.cols[i].align, false, 0, "")
		}
		x += t.cols[i].width
	}
	p.SetDrawColor(190, 190, 190)
	p.Line(margin, y+height, margin+inner, y+height)
	p.SetDrawColor(0, 0, 0)
	p.SetXY(margin, y+height)
}
