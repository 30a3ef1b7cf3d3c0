package pages

import (
	"fmt"
	"time"

	"underkeep/api/pages/chart"
)

// table tells a chart in figures, for those who do not see it: one row for each
// step of the period, lowest to highest of each line or the sum of the bars.
func table(c chart.Chart, p period) (head []string, rows [][]string) {
	head = []string{"From"}
	for _, l := range c.Lines {
		head = append(head, l.Name)
	}
	if len(c.Lines) == 0 {
		head = append(head, c.Title)
	}
	layout := "Jan 2, 15:04"
	if p.row >= 24*time.Hour {
		layout = "Jan 2, 2006"
	}
	for from := p.from; from.Before(p.to); from = from.Add(p.row) {
		row := []string{from.In(p.zone).Format(layout)}
		for _, l := range c.Lines {
			row = append(row, rangeText(c, l, from, from.Add(p.row)))
		}
		if len(c.Lines) == 0 {
			row = append(row, sumText(c, from, from.Add(p.row)))
		}
		rows = append(rows, row)
	}
	return head, rows
}

func rangeText(c chart.Chart, l chart.Line, from, to time.Time) string {
	low, high, any := 0.0, 0.0, false
	for _, s := range l.Samples {
		if s.At.Before(from) || !s.At.Before(to) {
			continue
		}
		if !any {
			low, high, any = s.Low, s.High, true
		}
		low, high = min(low, s.Low), max(high, s.High)
	}
	if !any {
		return "no readings"
	}
	a, b := fmt.Sprintf("%.*f", c.Decimals, low), fmt.Sprintf("%.*f", c.Decimals, high)
	if a == b {
		return a + c.Unit
	}
	return a + " to " + b + c.Unit
}

func sumText(c chart.Chart, from, to time.Time) string {
	sum, any := 0.0, false
	for _, b := range c.Bars {
		if !b.At.Before(from) && b.At.Before(to) {
			sum, any = sum+b.Value, true
		}
	}
	if !any {
		return "nothing recorded"
	}
	return fmt.Sprintf("%.*f%s", c.Decimals, sum, c.Unit)
}
