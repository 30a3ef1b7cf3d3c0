package pages

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	"underkeep/store/site"
	"underkeep/store/site/units"
)

var (
	momentPattern = regexp.MustCompile(`\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d+)?(?:Z|[+-]\d{2}:\d{2})`)
	valuePattern  = regexp.MustCompile(`(-?\d+(?:\.\d+)?) (°C|mm\b|L\b)`)
	beganPattern  = regexp.MustCompile(`^([a-z][a-z-]*) began first`)
)

var evidenceUnits = map[string]units.Dimension{"°C": units.Temperature, "mm": units.Depth, "L": units.Volume}

// localize puts the evidence of a diagnosis, which is in SI and UTC, into the
// house's units and clock.
func localize(text string, system site.UnitSystem, now time.Time, zone *time.Location) string {
	text = momentPattern.ReplaceAllStringFunc(text, func(m string) string {
		t, err := time.Parse(time.RFC3339, m)
		if err != nil {
			return m
		}
		return clock(t, now, zone)
	})
	text = beganPattern.ReplaceAllStringFunc(text, func(m string) string {
		name := beganPattern.FindStringSubmatch(m)[1]
		return fmt.Sprintf("“%s” began first", wordsFor(site.Condition(name)).Title)
	})
	if system != site.US {
		return text
	}
	return valuePattern.ReplaceAllStringFunc(text, func(m string) string {
		parts := valuePattern.FindStringSubmatch(m)
		v, err := strconv.ParseFloat(parts[1], 64)
		if err != nil {
			return m
		}
		return units.Format(evidenceUnits[parts[2]], v, system)
	})
}
