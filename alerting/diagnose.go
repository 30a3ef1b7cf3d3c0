package alerting

import (
	"fmt"
	"slices"
	"time"

	"underkeep/store/site"
)

// finding is a possible cause with how strongly the readings speak for it.
type finding struct {
	Cause
	weight float64 // 0 to 1
}

type findings []finding

func (f *findings) add(weight float64, cause string, evidence ...string) {
	if weight > 0 {
		*f = append(*f, finding{Cause{cause, evidence}, weight})
	}
}

// sorted is the causes, likeliest first, each once.
func (f findings) sorted() []Cause {
	slices.SortStableFunc(f, func(a, b finding) int {
		switch {
		case a.weight > b.weight:
			return -1
		case a.weight < b.weight:
			return 1
		}
		return 0
	})
	var out []Cause
	for _, x := range f {
		if !slices.ContainsFunc(out, func(c Cause) bool { return c.Cause == x.Cause.Cause }) {
			out = append(out, x.Cause)
		}
	}
	return out
}

// diagnose asks the readings what is likely behind a condition that began to
// hold at an instant.
func (e *engine) diagnose(c site.Condition, point string, at int64) []Cause {
	var f findings
	switch c {
	case site.HumidityHigh, site.HumidityDrift, site.DehumidifierIdle, site.DehumidifierWeak, site.MoldRisk, site.WoodWet:
		e.whyMoist(&f, c, point, at)
	case site.CondensationRisk:
		e.whyCondensing(&f, point, at)
	case site.OutdoorAirEntering:
		f.add(0.9, causeOutdoorAir, e.outdoorEvidence())
	case site.FreezeRisk:
		e.whyCold(&f)
	case site.PumpShortCycling, site.PumpRunOn, site.PumpWeak, site.PumpSilentInRain,
		site.WaterUnexplained, site.HighWaterAlarm, site.LeakAlarm, site.BackupPumpRan:
		e.whyWater(&f, c, at)
	default:
		e.whyEquipment(&f, c, point, at)
	}
	causes := f.sorted()
	if len(causes) > 0 {
		if s := e.firstSign(c, point, at); s != "" {
			causes[0].Evidence = append(causes[0].Evidence, s)
		}
	}
	return causes
}

// firstSign names what began before, of what is wrong now.
func (e *engine) firstSign(c site.Condition, point string, at int64) string {
	best := never
	var which *episode
	for _, list := range [][]episode{e.st.Open, e.receipt.Open} {
		for i := range list {
			ep := &list[i]
			if ep.OnAt < best && ep.OnAt < at && !(ep.Condition == c && ep.Point == point) {
				best, which = ep.OnAt, ep
			}
		}
	}
	if which == nil {
		return ""
	}
	return fmt.Sprintf("%s began first, at %s", which.Condition, timeAt(best).Format(time.RFC3339))
}
