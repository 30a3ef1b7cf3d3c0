package words

import (
	"bytes"
	"html/template"
	"strings"
)

// Mail is a message as it goes out. HTML shows the same as Text.
type Mail struct {
	Subject, Text, HTML string
}

// ChartID names the chart among the parts of a mail.
const ChartID = "chart.png"

// block is one piece of a mail; the two forms of a mail are made from the same
// blocks, so that they cannot come to say different things.
type block struct {
	Label, Text string
	Items       []string
	Href        string // a link with Text as its words; Plain is how it reads without
	Plain       string
	Heading     bool
	Chart       bool
	Exact       bool // line by line as it stands
	Small       bool
}

type doc []block

func (d *doc) para(text string) {
	if text != "" {
		*d = append(*d, block{Text: text})
	}
}
func (d *doc) heading(text string) { *d = append(*d, block{Text: text, Heading: true}) }
func (d *doc) small(text string)   { *d = append(*d, block{Text: text, Small: true}) }
func (d *doc) exact(text string)   { *d = append(*d, block{Text: text, Exact: true}) }
func (d *doc) chart(below string)  { *d = append(*d, block{Text: below, Chart: true}) }
func (d *doc) link(label, format, to string) {
	if to != "" {
		*d = append(*d, block{Text: label, Href: to, Plain: strings.ReplaceAll(format, "%s", to)})
	}
}

func (d *doc) labelled(label, text string) {
	if text != "" {
		*d = append(*d, block{Label: label, Text: text})
	}
}

func (d *doc) list(label string, items []string) {
	if len(items) > 0 {
		*d = append(*d, block{Label: label, Items: items})
	}
}

const lineWidth = 76

func (d doc) text() string {
	var b strings.Builder
	for i, x := range d {
		if x.Chart {
			continue // its figures are in the text
		}
		if i > 0 {
			b.WriteString("\n")
		}
		switch {
		case x.Exact:
			b.WriteString(strings.TrimRight(x.Text, "\n") + "\n")
		case x.Href != "":
			b.WriteString(x.Plain + "\n") // links are not broken
		case len(x.Items) > 0:
			if x.Label != "" {
				b.WriteString(x.Label + ":\n")
			}
			for _, item := range x.Items {
				fold(&b, "- ", item)
			}
		case x.Heading:
			b.WriteString(strings.ToUpper(x.Text) + "\n")
		case x.Label != "":
			fold(&b, "", x.Label+": "+x.Text)
		default:
			fold(&b, "", x.Text)
		}
	}
	return b.String()
}

// fold writes a paragraph in lines that a mail reader need not break.
func fold(b *strings.Builder, first, text string) {
	line, indent := first, strings.Repeat(" ", len(first))
	empty := true
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\n' }) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > lineWidth {
			b.WriteString(line + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	b.WriteString(line + "\n")
}

// Styles stand in the elements: many mail readers drop a style sheet. Nothing is
// loaded from anywhere; the chart travels with the mail.
var page = template.Must(template.New("mail").Parse(`<!DOCTYPE html>
<html lang="{{.Lang}}"><head><meta charset="utf-8"><title>{{.Subject}}</title></head>
<body style="margin:0;padding:16px;font:16px/1.5 sans-serif;color:#1b1f24;background:#ffffff;max-width:640px">
{{range .Doc -}}
{{if .Exact}}<pre style="font:13px/1.4 monospace;white-space:pre-wrap;overflow-wrap:anywhere;background:#f2f4f6;padding:8px">{{.Text}}</pre>
{{else if .Chart}}<p style="margin:16px 0"><img src="cid:` + ChartID + `" alt="{{.Text}}" width="600" style="max-width:100%;height:auto"><br><span style="font-size:14px;color:#4a5360">{{.Text}}</span></p>
{{else if .Href}}<p style="margin:12px 0"><a href="{{.Href}}" style="color:#0b5394">{{.Text}}</a></p>
{{else if .Items}}{{if .Label}}<p style="margin:12px 0 0"><strong>{{.Label}}</strong></p>{{end}}<ul style="margin:4px 0 12px;padding-left:20px">{{range .Items}}<li>{{.}}</li>{{end}}</ul>
{{else if .Heading}}<h2 style="font-size:18px;margin:20px 0 4px">{{.Text}}</h2>
{{else if .Label}}<p style="margin:8px 0"><strong>{{.Label}}:</strong> {{.Text}}</p>
{{else if .Small}}<p style="margin:20px 0 0;font-size:13px;color:#4a5360">{{.Text}}</p>
{{else}}<p style="margin:12px 0">{{.Text}}</p>
{{end}}{{end}}</body></html>
`))

func (d doc) mail(l Lang, subject string) Mail {
	var b bytes.Buffer
	m := Mail{Subject: Line(subject), Text: d.text()}
	err := page.Execute(&b, struct {
		Lang    Lang
		Subject string
		Doc     doc
	}{l, m.Subject, d})
	if err != nil { // the template is fixed, its data are strings
		panic("words: " + err.Error())
	}
	m.HTML = b.String()
	return m
}
