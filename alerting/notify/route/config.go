package route

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"underkeep/alerting"
	"underkeep/store/site"
)

// Config is who is told of what.
type Config struct {
	Company string // as messages call the contractor; "" : "your contractor"
	Phone   string // whom to call, one line of text; "" leaves it out
	Rules   []Rule
	Steps   []Step
	// Exceptions replace rules and steps for a property.
	Exceptions map[string]Exception

	calendar calendar
	digest   Clock
}

// Exception replaces what it gives; nil keeps the company's.
type Exception struct {
	Rules []Rule
	Steps []Step
}

// Match is which alarms a rule or a step is about.
type Match struct {
	AtLeast, Below   alerting.Priority // 0: no bound
	Conditions, Save []site.Condition  // only these; all but these
	When             string            // applies only then; "" : always
	WaitFor          string            // tells only then, later if need be; "" : at once
}

// Rule says who is told at first.
type Rule struct {
	Match
	To     []string
	By     []Channel
	Digest bool
}

// Step says whom next, this long after the first were told, if nobody has
// acknowledged by then.
type Step struct {
	Match
	After time.Duration
	To    []string
	By    []Channel
}

func (m *Match) matches(e Event) bool {
	return e.Priority >= m.AtLeast && (m.Below == 0 || e.Priority < m.Below) &&
		(len(m.Conditions) == 0 || slices.Contains(m.Conditions, e.Condition)) && !slices.Contains(m.Save, e.Condition)
}

func (c *Config) of(property string) ([]Rule, []Step) {
	rules, steps := c.Rules, c.Steps
	if x, ok := c.Exceptions[property]; ok {
		if x.Rules != nil {
			rules = x.Rules
		}
		if x.Steps != nil {
			steps = x.Steps
		}
	}
	return rules, steps
}

// plural names the roles as rules do.
var plural = map[string]Role{"owner": Owner, "managers": Manager, "technicians": Technician}

//go:embed default.yaml
var defaultDocument []byte

// DefaultDocument is the routing without configuration, as a file to begin from.
func DefaultDocument() []byte { return slices.Clone(defaultDocument) }

// Default is the routing without configuration.
func Default() *Config {
	c, err := Parse(defaultDocument)
	if err != nil {
		panic("route: default.yaml: " + err.Error())
	}
	return c
}

// The file's shape; Parse turns its words into what Plan needs.
type (
	configFile struct {
		Company string `yaml:"company"`
		Phone   string `yaml:"phone"`
		Working struct {
			Days  []string `yaml:"days"`
			Hours string   `yaml:"hours"`
		} `yaml:"working"`
		Night      string                   `yaml:"night"`
		Digest     string                   `yaml:"digest"`
		Rules      []ruleFile               `yaml:"rules"`
		Escalate   []ruleFile               `yaml:"escalate"`
		Properties map[string]exceptionFile `yaml:"properties"`
	}
	exceptionFile struct {
		Rules    []ruleFile `yaml:"rules"`
		Escalate []ruleFile `yaml:"escalate"`
	}
	ruleFile struct {
		To         []string `yaml:"to"`
		By         []string `yaml:"by"`
		AtLeast    string   `yaml:"at_least"`
		Below      string   `yaml:"below"`
		Conditions []string `yaml:"conditions"`
		Except     []string `yaml:"except"`
		When       string   `yaml:"when"`
		WaitFor    string   `yaml:"wait_for"`
		Digest     bool     `yaml:"digest"`
		After      string   `yaml:"after"`
	}
)

const maxDocument = 256 << 10

// Parse reads a routing file. Whatever it cannot mean is an error with the
// place in it; all of them are returned at once.
func Parse(document []byte) (*Config, error) {
	if len(document) > maxDocument {
		return nil, fmt.Errorf("routing file is longer than %d bytes", maxDocument)
	}
	var f configFile
	if err := yaml.NewDecoder(bytes.NewReader(document), yaml.Strict()).Decode(&f); err != nil {
		return nil, fmt.Errorf("routing file: %s", yaml.FormatError(err, false, false))
	}
	r := reader{}
	c := &Config{Company: r.line("company", f.Company), Phone: r.line("phone", f.Phone), Exceptions: map[string]Exception{}}
	c.calendar, c.digest = r.calendar(&f)
	c.Rules, c.Steps = r.rules("rules", f.Rules), r.steps("escalate", f.Escalate)
	for name, x := range f.Properties {
		place := "properties." + name
		c.Exceptions[name] = Exception{r.rules(place+".rules", x.Rules), r.steps(place+".escalate", x.Escalate)}
	}
	return c, errors.Join(r.errs...)
}

// reader gathers what is wrong.
type reader struct{ errs []error }

func (r *reader) wrong(place, format string, args ...any) {
	r.errs = append(r.errs, fmt.Errorf("routing file, "+place+": "+format, args...))
}

// line refuses what would break out of a line of a message's header.
func (r *reader) line(place, text string) string {
	if strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c == 0x7f }) || len(text) > 200 {
		r.wrong(place, "want one line of at most 200 characters")
	}
	return text
}

func (r *reader) calendar(f *configFile) (calendar, Clock) {
	c := calendar{span{8 * 60, 17 * 60}, []time.Weekday{1, 2, 3, 4, 5}, span{21 * 60, 7 * 60}}
	digest := Clock(8 * 60)
	var err error
	if f.Working.Hours != "" {
		if c.working, err = parseSpan(f.Working.Hours); err != nil {
			r.wrong("working.hours", "%v", err)
		}
	}
	if f.Night != "" {
		if c.night, err = parseSpan(f.Night); err != nil {
			r.wrong("night", "%v", err)
		}
	}
	if f.Digest != "" {
		if digest, err = ParseClock(f.Digest); err != nil {
			r.wrong("digest", "%v", err)
		}
	}
	if len(f.Working.Days) > 0 {
		c.days = nil
	}
	for _, name := range f.Working.Days {
		i := slices.Index([]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}, name)
		if i < 0 {
			r.wrong("working.days", "%q: want mon, tue, wed, thu, fri, sat or sun", name)
		}
		c.days = append(c.days, time.Weekday(max(i, 0)))
	}
	return c, digest
}

func (r *reader) rules(place string, list []ruleFile) []Rule {
	if list == nil {
		return nil
	}
	out := make([]Rule, 0, len(list))
	for i, f := range list {
		at := fmt.Sprintf("%s[%d]", place, i)
		if f.After != "" {
			r.wrong(at+".after", "belongs to escalate")
		}
		if f.Digest && f.WaitFor != "" {
			r.wrong(at, "a digest has its own time; leave out wait_for")
		}
		out = append(out, Rule{r.match(at, f), r.to(at, f), r.by(at, f), f.Digest})
	}
	return out
}

func (r *reader) steps(place string, list []ruleFile) []Step {
	if list == nil {
		return nil
	}
	out := make([]Step, 0, len(list))
	for i, f := range list {
		at := fmt.Sprintf("%s[%d]", place, i)
		after, err := time.ParseDuration(f.After)
		if err != nil || after < time.Minute || after > 7*24*time.Hour {
			r.wrong(at+".after", "%q: want a duration of a minute to a week, as in 15m or 2h", f.After)
		}
		if f.Digest {
			r.wrong(at+".digest", "an escalation is no digest")
		}
		out = append(out, Step{r.match(at, f), after, r.to(at, f), r.by(at, f)})
	}
	return out
}

func (r *reader) match(at string, f ruleFile) Match {
	m := Match{AtLeast: r.priority(at+".at_least", f.AtLeast), Below: r.priority(at+".below", f.Below),
		Conditions: r.conditions(at+".conditions", f.Conditions), Save: r.conditions(at+".except", f.Except),
		When: f.When, WaitFor: f.WaitFor}
	for name, w := range map[string]string{"when": f.When, "wait_for": f.WaitFor} {
		if w != "" && !slices.Contains(Windows(), w) {
			r.wrong(at+"."+name, "%q: want one of %s", w, strings.Join(Windows(), ", "))
		}
	}
	return m
}

func (r *reader) priority(at, name string) alerting.Priority {
	p, ok := alerting.ParsePriority(name)
	if name != "" && !ok {
		r.wrong(at, "%q: want low, medium, high or urgent", name)
	}
	return p
}

func (r *reader) conditions(at string, names []string) []site.Condition {
	var out []site.Condition
	for _, n := range names {
		if !slices.Contains(site.Conditions(), site.Condition(n)) {
			r.wrong(at, "no condition %q", n)
		}
		out = append(out, site.Condition(n))
	}
	return out
}

func (r *reader) to(at string, f ruleFile) []string {
	if len(f.To) == 0 {
		r.wrong(at+".to", "want owner, managers, technicians, an e-mail address or a phone number")
	}
	for _, name := range f.To {
		_, role := plural[name]
		address := strings.Count(name, "@") == 1 && !strings.ContainsFunc(name, func(c rune) bool { return c <= ' ' || c == 0x7f || strings.ContainsRune(`",;:<>()[]\`, c) })
		number := strings.HasPrefix(name, "+") && len(name) > 7 && strings.Trim(name[1:], "0123456789") == ""
		if !role && !address && !number {
			r.wrong(at+".to", "%q: want owner, managers, technicians, an e-mail address or a phone number as in +15550100200", name)
		}
	}
	return f.To
}

func (r *reader) by(at string, f ruleFile) []Channel {
	if len(f.By) == 0 {
		return []Channel{Mail}
	}
	var out []Channel
	for _, name := range f.By {
		if c := Channel(name); c != Mail && c != Text {
			r.wrong(at+".by", "%q: want mail or text", name)
		}
		out = append(out, Channel(name))
	}
	return out
}
