package warranty

import (
	"fmt"
	"strings"
)

// Words of reasons: what the figures say, and what would have made another
// verdict of them. Figures are rounded for reading; the fields beside hold them
// in full.

func h(v float64) string { return trim(v) + " h" }

// trim writes a figure with at most one decimal.
func trim(v float64) string {
	s := fmt.Sprintf("%.1f", v)
	return strings.TrimSuffix(s, ".0")
}

// whatIf names what would have sufficed for a term that is not proven.
func whatIf(limit, noGap, noDoubt float64) string {
	const all = "would have made it kept"
	switch {
	case noGap <= limit+tie && noDoubt <= limit+tie:
		return "Either readings in the gaps, good ones, or a sensor without uncertainty " + all + "."
	case noGap <= limit+tie:
		return "Good readings in the gaps " + all + "."
	case noDoubt <= limit+tie:
		return "The same readings from a sensor without uncertainty " + all + "; a check over a salt narrows it."
	}
	return "Neither the gaps alone nor the uncertainty alone: good readings in the gaps from a better sensor " + all + "."
}

func excursionWords(r Result, limitPct, noGap, noDoubt float64) (reason, changed string) {
	limit := trim(limitPct) + " %RH"
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("At most %s without a break above %s, gaps and uncertainty counted as above; %s are allowed.", h(r.Worst), limit, h(r.Limit)),
			fmt.Sprintf("More than %s above the limit without a break would have left it unproven or broken.", h(r.Limit))
	case NotKept:
		return fmt.Sprintf("Certainly above %s for %s without a break; %s are allowed.", limit, h(r.Best), h(r.Limit)),
			fmt.Sprintf("Air back below the limit %s earlier.", h(r.Best-r.Limit))
	}
	return fmt.Sprintf("Between %s and %s without a break above %s, depending on the gaps and on readings within the guard band; %s are allowed.",
		h(r.Best), h(r.Worst), limit, h(r.Limit)), whatIf(r.Limit, noGap, noDoubt)
}

func rollingWords(r Result, t *HumidityTerms, noGap, noDoubt float64) (reason, changed string) {
	limit := fmt.Sprintf("%s %%RH in any %d days", trim(t.LimitRHPct), t.RollingDays)
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("At most %s above %s, counted from the first day of the period, gaps and uncertainty counted as above; %s are allowed.", h(r.Worst), limit, h(r.Limit)),
			fmt.Sprintf("Another %s above, not known or undecided.", h(r.Limit-r.Worst))
	case NotKept:
		return fmt.Sprintf("Certainly %s above %s; %s are allowed.", h(r.Best), limit, h(r.Limit)),
			fmt.Sprintf("%s less above the limit.", h(r.Best-r.Limit))
	}
	return fmt.Sprintf("Between %s and %s above %s, depending on the gaps and on readings within the guard band; %s are allowed.",
		h(r.Best), h(r.Worst), limit, h(r.Limit)), whatIf(r.Limit, noGap, noDoubt)
}

func coverageWords(r Result, month string) (reason, changed string) {
	if r.Outcome == Kept {
		return fmt.Sprintf("Least in %s, of which %.1f %% is known or left out; %s %% are needed.", month, r.Worst, trim(r.Limit)), ""
	}
	return fmt.Sprintf("Of %s only %.1f %% is known or left out; %s %% are needed. Too little is no breach, but such a month proves nothing.", month, r.Worst, trim(r.Limit)),
		"Readings that arrive within the seal delay."
}

func gapWords(r Result) (reason, changed string) {
	if r.Outcome == Kept {
		return fmt.Sprintf("The longest time without readings is %s; %s are allowed.", h(r.Worst), h(r.Limit)), ""
	}
	return fmt.Sprintf("Nothing is known for %s; at most %s are allowed. That is no breach, but it leaves the time unproven.", h(r.Worst), h(r.Limit)),
		"Readings that arrive within the seal delay."
}

func moldWords(r Result, surface string, noGap, noDoubt float64) (reason, changed string) {
	where := "on wood at the temperature of the air"
	if surface != "" {
		where = "on the surface at " + surface
	}
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("The mold index %s stays at or below %.2f from the first day of the period on, gaps and uncertainty counted as damp; the limit is %s.", where, r.Worst, trim(r.Limit)), ""
	case NotKept:
		return fmt.Sprintf("The mold index %s certainly reached %.2f; the limit is %s.", where, r.Best, trim(r.Limit)), "Drier air before that day."
	}
	return fmt.Sprintf("The mold index %s reached something between %.2f and %.2f, depending on the gaps and the uncertainty; the limit is %s.", where, r.Best, r.Worst, trim(r.Limit)),
		whatIf(r.Limit, noGap, noDoubt)
}

func woodWords(r Result, limitPct float64, how string, noGap, noDoubt float64) (reason, changed string) {
	what := "Wood"
	if how != "" {
		what = "Wood, " + how + " and not measured,"
	}
	limit := trim(limitPct) + " %"
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("%s was above %s for at most %s without a break, gaps and uncertainty counted as above; %s are allowed.", what, limit, h(r.Worst), h(r.Limit)), ""
	case NotKept:
		return fmt.Sprintf("%s was certainly above %s for %s; %s are allowed.", what, limit, h(r.Best), h(r.Limit)), "Drier wood in that time."
	}
	return fmt.Sprintf("%s was above %s for something between %s and %s, depending on the gaps and the uncertainty; %s are allowed.", what, limit, h(r.Best), h(r.Worst), h(r.Limit)),
		whatIf(r.Limit, noGap, noDoubt)
}

func powerWords(r Result, name string) (reason, changed string) {
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("%s was without power for at most %s on end, reported outages left out; %s are allowed.", capital(name), h(r.Worst), h(r.Limit)), ""
	case NotKept:
		return fmt.Sprintf("%s was certainly without power for %s on end and no outage was reported; %s are allowed.", capital(name), h(r.Best), h(r.Limit)),
			"Power, or a report of the outage within the time that the terms allow."
	}
	return fmt.Sprintf("%s was without power for something between %s and %s on end: nothing is known of the rest; %s are allowed.", capital(name), h(r.Best), h(r.Worst), h(r.Limit)),
		"Readings of the power in that time."
}

func serviceWords(r Result, t *ServiceTerms) (reason, changed string) {
	what := strings.Join(t.Visits, " or ") + " by " + strings.Join(t.By, " or ")
	switch r.Outcome {
	case Kept:
		return fmt.Sprintf("At most %s d without a visit that counts (%s), the installation being the first; %s d are allowed.", trim(r.Worst), what, trim(r.Limit)), ""
	case NotKept:
		return fmt.Sprintf("%s d without a visit that counts (%s); %s d are allowed.", trim(r.Best), what, trim(r.Limit)), "A visit in that time."
	}
	return fmt.Sprintf("Somewhere between %s and %s d without a visit that counts (%s), depending on what was before the period; %s d are allowed.", trim(r.Best), trim(r.Worst), what, trim(r.Limit)),
		"A period that begins with the installation."
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// summary is the verdict in one sentence or two.
func summary(v *Verdict) string {
	var named []string
	for _, p := range v.Pieces {
		if p.Terms == "" {
			named = append(named, "part of it had no terms in force")
		}
		for _, r := range p.Results {
			if r.Applies && r.Outcome == v.Outcome && r.Outcome != Kept {
				text := TermWords(r.Term)
				if r.Point != "" {
					text += " at " + r.Point
				}
				named = append(named, text)
			}
		}
	}
	list := strings.Join(compact(named), ", ")
	switch v.Outcome {
	case Kept:
		return "Every term was kept in the whole period, gaps and uncertainty counted against it."
	case NotKept:
		return "Not kept even in the best case: " + list + "."
	}
	return "Neither kept nor broken for certain: " + list + "."
}

func compact(list []string) []string {
	seen := map[string]bool{}
	var out []string
	for _, s := range list {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}

var termWords = map[string]string{
	TermLongestExcursion: "longest time above the humidity limit",
	TermAbovePerYear:     "hours above the humidity limit",
	TermCoverage:         "share of each month that is known",
	TermLongestGap:       "longest time without readings",
	TermMold:             "mold index",
	TermWood:             "wood moisture",
	TermDehumidifier:     "power of the dehumidifier",
	TermPump:             "power of the pump",
	TermService:          "service interval",
	TermWork:             "who worked on it",
}

// TermWords names a term for people.
func TermWords(term string) string {
	if w, ok := termWords[term]; ok {
		return w
	}
	return term
}
