// Package words holds every sentence that people are written to in, in English
// and in Spanish, and puts messages together from them. It knows no mail server
// and no database, and reads no clock: a message says what it is handed.
//
// The words of causes (what they mean, what to check first, what to bring) stand
// in package alerting beside the causes; everything else is here. A language is
// one phrases value and one table of conditions; tests hold all to the same
// completeness.
package words

import (
	"strings"

	"underkeep/store/site"
)

// Lang is a language of messages, as BCP 47 names it.
type Lang string

// The languages.
const (
	English Lang = "en"
	Spanish Lang = "es"
)

// Langs lists the languages.
func Langs() []Lang { return []Lang{English, Spanish} }

// ParseLang finds the language of a tag such as "es-MX"; English where there are
// no words in it.
func ParseLang(tag string) Lang {
	if base, _, _ := strings.Cut(strings.ToLower(tag), "-"); base == "es" {
		return Spanish
	}
	return English
}

// Condition is how one condition is put to people.
type Condition struct {
	Title   string // for those who know the trade, without a full stop
	Plain   string // for the owner, a whole sentence
	Owner   string // the one thing the owner does
	Company string // the one thing the company does
	Over    string // a whole sentence, when it holds no more
}

// Conditions in a language.
func conditions(l Lang) map[site.Condition]Condition {
	if l == Spanish {
		return conditionsSpanish
	}
	return conditionsEnglish
}

// For is how a condition is put in a language; one without words is put by its
// name.
func For(l Lang, c site.Condition) Condition {
	if w, ok := conditions(l)[c]; ok {
		return w
	}
	name := strings.ReplaceAll(string(c), "-", " ")
	w := Condition{Title: name, Plain: "Something needs a look under your house: " + name + ".", Owner: callEnglish,
		Company: "Look at the property's page.", Over: "It is over: " + name + "."}
	if l == Spanish {
		w = Condition{Title: name, Plain: "Hay que revisar algo bajo su casa: " + name + ".", Owner: callSpanish,
			Company: "Vea la página de la propiedad.", Over: "Ha terminado: " + name + "."}
	}
	return w
}

// phrases are all other sentences and labels of a language. A field with verbs
// is a format.
type phrases struct {
	Priorities [5]string // by priority; [0] unused
	Urgent     string    // begins the subject of an urgent alarm
	Reminder   string    // begins the subject of an escalation

	Contractor   string // "Your contractor"
	Since        string // label
	Until        string
	Measured     string
	Likely       string
	DoThis       string
	CheckFirst   string
	Bring        string
	Cautions     string
	AlsoWrong    string
	Priority     string
	AndCall      string // format: phone
	LateDo       string // what to do about what is over
	Pages        string // format: link
	PagesLabel   string
	SeenIt       string // format: link; opens a page, acts on its button
	SeenLabel    string // of the button in HTML
	Page         string // format: link
	PageLabel    string
	Stop         string // format: link
	StopLabel    string
	NoLifeSafety string
	ChartBelow   string // what the chart shows, format: what, from, to
	ChartLimit   string // when the limit is in it

	Limit    map[string]string // above | below: format: value
	Wet, Dry string
	On, Off  string
	RainDay  string // label
	LastRun  string // label, format: point
	Heard    string // label
	Never    string

	NotAnswered   string // why an escalation comes, format: since
	ReturnSubject string // format: title
	ReturnIntro   string
	ReturnNothing string // what to do after: nothing
	Answered      string // format: who, when
	NobodySaw     string
	WithdrawnSubj string // format: title
	Withdrawn     string // the open correction
	OverBefore    string // told late: it was and is over, format: from, to

	GatheredSubject string // format: number of houses
	GatheredIntro   string
	DigestSubject   string // format: number
	DigestIntro     string
	DigestEmpty     string
	Regional        string // label of a regional event

	SummarySubject string // format: month, property
	SummaryIntro   string // format: property, month
	SummaryGood    string
	SummaryAlarms  string // label
	SummaryFigures string // label
	SummaryAir     string // format: mean, highest
	SummaryAbove   string // format: hours above, limit
	SummaryPump    string // format: cycles
	SummaryCover   string // format: share
	SummaryNone    string // no readings
	SummaryAnchor  string // what the checkpoint is for
	SummaryVisits  string // label: who was there
	SummaryDone    string // label: work done at a visit
	SummaryPart    string // format: part that was put in
	SummaryFound   string // label: findings of a visit
	SummaryOver    string // label: over since
	StillOpen      string

	WeeklySubject    string // format: first, last day
	WeeklyLoad       string // format: alarms, call-outs, properties
	WeeklyLoadTitle  string
	WeeklyWorst      string
	WeeklyService    string
	WeeklyChecks     string
	WeeklyQuarantine string // format: number
	WeeklyNothing    string
	WeeklyDead       string // format: number

	SignInSubject string
	SignInText    string // format: link, minutes
	InviteSubject string
	InviteText    string // format: who invites, link, hours

	ChannelSubject string // format: channel
	ChannelText    string // format: channel, number waiting, since, last error
	ChannelNames   map[string]string
	ChannelDo      string

	TestSubject string
	TestText    string

	Months   [12]string
	Weekdays [7]string
	Days     string // format of a day, see clock.go
}

func of(l Lang) *phrases {
	if l == Spanish {
		return &spanish
	}
	return &english
}
