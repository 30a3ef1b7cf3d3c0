package warranty

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/goccy/go-yaml"

	"underkeep/store/site"
	"underkeep/store/site/units"
)

//go:embed *.yaml
var shippedFiles embed.FS

// Shipped are the sets of terms that come with the program, with their text.
func Shipped() ([]Terms, [][]byte) {
	names, err := shippedFiles.ReadDir(".")
	if err != nil {
		panic(err)
	}
	var all []Terms
	var texts [][]byte
	for _, n := range names {
		text, err := shippedFiles.ReadFile(n.Name())
		if err != nil {
			panic(err)
		}
		t, err := ParseTerms(text)
		if err != nil { // only a build with a mistake in its own file
			panic(fmt.Sprintf("warranty: %s: %v", n.Name(), err))
		}
		all, texts = append(all, t), append(texts, text)
	}
	return all, texts
}

// fileList is a list of words, or one word.
type fileList []string

func (l *fileList) UnmarshalYAML(b []byte) error {
	var many []string
	if err := yaml.Unmarshal(b, &many); err == nil {
		*l = many
		return nil
	}
	var one string
	if err := yaml.Unmarshal(b, &one); err != nil {
		return fmt.Errorf("a word or a list of words is needed")
	}
	*l = fileList{one}
	return nil
}

// termsFile is the file as written: every value a text with its unit.
type termsFile struct {
	Terms     string `yaml:"terms"`
	Version   int    `yaml:"version"`
	Effective string `yaml:"effective"`
	Title     string `yaml:"title"`
	Decision  struct {
		Probability string `yaml:"conformance_probability"`
	} `yaml:"decision"`
	Humidity *struct {
		Limit     string   `yaml:"limit"`
		AppliesTo fileList `yaml:"applies_to"`
		Longest   string   `yaml:"longest_excursion"`
		Above     string   `yaml:"above"`
		Rolling   string   `yaml:"rolling"`
	} `yaml:"humidity"`
	Data *struct {
		Coverage string `yaml:"least_coverage"`
		Gap      string `yaml:"longest_gap"`
	} `yaml:"data"`
	Mold *struct {
		Limit float64 `yaml:"limit"`
		Start float64 `yaml:"start"`
	} `yaml:"mold"`
	Wood *struct {
		Limit   string `yaml:"limit"`
		Longest string `yaml:"longest_excursion"`
	} `yaml:"wood"`
	Power *struct {
		Dehumidifier string `yaml:"dehumidifier_off"`
		Pump         string `yaml:"pump_off"`
	} `yaml:"power"`
	Service *struct {
		Interval string   `yaml:"interval"`
		Visits   []string `yaml:"visits"`
		By       []string `yaml:"by"`
	} `yaml:"service"`
	SensorCheck *struct {
		Interval string `yaml:"interval"`
		Drift    string `yaml:"drift"`
	} `yaml:"sensor_check"`
	Work       map[string][]string `yaml:"work"`
	Exclusions struct {
		Visits       bool   `yaml:"visits"`
		Outages      bool   `yaml:"outages"`
		ReportWithin string `yaml:"report_within"`
		PowerCut     bool   `yaml:"power_cut"`
		Recovery     string `yaml:"recovery"`
	} `yaml:"exclusions"`
}

// valueReader parses values with units and keeps the first mistake.
type valueReader struct{ err error }

func (v *valueReader) value(field, text string, dim units.Dimension, low, high float64) float64 {
	if v.err != nil {
		return 0
	}
	x, err := units.Parse(dim, text)
	switch {
	case err != nil:
		v.err = fmt.Errorf("%s: %w", field, err)
	case x < low || x > high:
		v.err = fmt.Errorf("%s: %s is outside %s to %s", field, text, units.Format(dim, low, units.SI), units.Format(dim, high, units.SI))
	}
	return x
}

const longestTerm = 20 * 365 * 86400 // seconds

func (v *valueReader) span(field, text string) time.Duration {
	return time.Duration(v.value(field, text, units.Duration, 60, longestTerm)) * time.Second
}

// optional is 0 where the file does not say.
func (v *valueReader) optional(field, text string) time.Duration {
	if text == "" {
		return 0
	}
	return v.span(field, text)
}

// maxTermsFile is far more than any set of terms needs.
const maxTermsFile = 64 << 10

// ParseTerms reads one version of a set of terms. Unknown fields, missing
// units and values that cannot be meant are errors that name the field.
func ParseTerms(text []byte) (Terms, error) {
	if len(text) > maxTermsFile {
		return Terms{}, fmt.Errorf("terms: %d bytes are more than %d", len(text), maxTermsFile)
	}
	var f termsFile
	d := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := d.Decode(&f); err != nil {
		if errors.Is(err, io.EOF) {
			return Terms{}, errors.New("terms: the file is empty")
		}
		return Terms{}, fmt.Errorf("terms: %w", err)
	}
	if err := d.Decode(&struct{}{}); !errors.Is(err, io.EOF) {
		return Terms{}, errors.New("terms: more than one document")
	}
	v := &valueReader{}
	t := f.read(v)
	if f.Effective != "" && v.err == nil {
		t.Effective, v.err = site.ParseDate(f.Effective)
	}
	if v.err != nil {
		return Terms{}, v.err
	}
	return t, t.check()
}

func (f *termsFile) read(v *valueReader) Terms {
	t := Terms{Name: f.Terms, Version: f.Version, Title: f.Title, Work: f.Work}
	t.Probability = v.value("decision.conformance_probability", f.Decision.Probability, units.Percent, 50, 99.9) / 100
	f.readAir(v, &t)
	f.readCare(v, &t)
	e := f.Exclusions
	t.Exclusions = ExclusionTerms{
		Visits: e.Visits, Outages: e.Outages, ReportWithin: v.optional("exclusions.report_within", e.ReportWithin),
		PowerCut: e.PowerCut, Recovery: v.optional("exclusions.recovery", e.Recovery),
	}
	return t
}

func (f *termsFile) readAir(v *valueReader, t *Terms) {
	if h := f.Humidity; h != nil {
		t.Humidity = &HumidityTerms{
			LimitRHPct:       v.value("humidity.limit", h.Limit, units.RelHumidity, 1, 100),
			LongestExcursion: v.span("humidity.longest_excursion", h.Longest),
			AbovePerYear:     v.span("humidity.above", h.Above),
			RollingDays:      int(v.span("humidity.rolling", h.Rolling) / (24 * time.Hour)),
		}
		if len(h.AppliesTo) != 1 || h.AppliesTo[0] != "indoor-air" {
			t.Humidity.Points = h.AppliesTo
		}
		if t.Humidity.RollingDays < 1 && v.err == nil {
			v.err = fmt.Errorf("humidity.rolling: %s is shorter than a day", h.Rolling)
		}
	}
	if d := f.Data; d != nil {
		t.Data = &DataTerms{
			LeastCoveragePct: v.value("data.least_coverage", d.Coverage, units.Percent, 0, 100),
			LongestGap:       v.span("data.longest_gap", d.Gap),
		}
	}
	if m := f.Mold; m != nil {
		t.Mold = &MoldTerms{Limit: m.Limit, StartIndex: m.Start}
		if (m.Limit <= 0 || m.Limit > 6 || m.Start < 0 || m.Start >= m.Limit) && v.err == nil {
			v.err = fmt.Errorf("mold: limit %g and start %g are not within 0 to 6, the start below the limit", m.Limit, m.Start)
		}
	}
	if w := f.Wood; w != nil {
		t.Wood = &WoodTerms{LimitPct: v.value("wood.limit", w.Limit, units.WoodMoisture, 5, 60), LongestExcursion: v.span("wood.longest_excursion", w.Longest)}
	}
}

func (f *termsFile) readCare(v *valueReader, t *Terms) {
	if p := f.Power; p != nil {
		t.Power = &PowerTerms{DehumidifierOff: v.optional("power.dehumidifier_off", p.Dehumidifier), PumpOff: v.optional("power.pump_off", p.Pump)}
	}
	if s := f.Service; s != nil {
		t.Service = &ServiceTerms{Interval: v.span("service.interval", s.Interval), Visits: s.Visits, By: s.By}
		if (len(s.Visits) == 0 || len(s.By) == 0) && v.err == nil {
			v.err = errors.New("service: visits and by must not be empty")
		}
	}
	if c := f.SensorCheck; c != nil {
		t.SensorCheck = &SensorCheckTerms{Interval: v.span("sensor_check.interval", c.Interval), DriftPctPerYear: v.value("sensor_check.drift", c.Drift, units.RelHumidity, 0, 20)}
	}
}
