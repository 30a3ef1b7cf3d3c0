package outlook

import (
	"errors"
	"math"
	"slices"
	"time"

	"underkeep/alerting/water"
	"underkeep/store/site"
	"underkeep/store/site/asbuilt"
)

const (
	// cyclesBehind an inflow: the median of so many rests in a row, so that one
	// rest lengthened by a missed run, or shortened by back-flow, does not make it.
	cyclesBehind = 3
	// storageShare is how far the water between the floats may be off what the
	// file says: half an inch at each float over a usual gap of 6 in (common
	// practice, no source).
	storageShare = 0.12
	// afterStorm is how long a storm's inflow still counts as its own.
	afterStorm = 24 * time.Hour
	recentFor  = 6 * time.Hour // older inflow is no present inflow
)

// Inflow is water coming into the basin, L/s.
type Inflow struct {
	Lps    Range
	Cycles int       // rests behind it
	At     time.Time // end of the last of them
}

// Pump is what the primary pump has to spare.
type Pump struct {
	Known  bool
	Reason string // why not
	// What it was figured from.
	StorageL    float64 // between the floats
	ReserveL    float64 // from float-on to the high-water level; 0: not known
	AsBuiltLps  float64 // at the operating point; 0: not known
	MeasuredLps Range   // from runs and the rests before them; 0: not known
	// CapacityLps is the lower of the two: the promise and the performance.
	CapacityLps  float64
	CapacityFrom string // "measured" or "as-built"

	RainKnown bool         // a gauge spoke, or the weather station where there is none
	RainFrom  string       // "gauge" or "weather-station"; "" where rain is not known
	RainPoint string       // of the gauge
	Storm     *water.Storm // the present one, or one that ended within 24 h; else nil
	Now       *Inflow      // nil: no cycle in the last 6 h
	Peak      *Inflow      // highest since the storm began; without storm, of the last 24 h
	// Margins are shares of the pump's flow left unused: 1 at rest, 0 when it just
	// keeps up.
	MarginNow, MarginPeak *Range
	// Hours from float-on to high water with a dead pump at that inflow.
	HoldsNowHours, HoldsPeakHours *Range
}

type run struct {
	start, end time.Time
	seconds    float64
}

func pumpOf(in Input) Pump {
	s := in.Property.Sump
	point, ok := primaryPump(in.Property)
	if !ok || s == nil {
		return Pump{Reason: "no pump with a run signal is described"}
	}
	storage, ok := asbuilt.StorageL(*s)
	if !ok {
		return Pump{Reason: "the property file does not give basin and floats"}
	}
	p := Pump{StorageL: storage, ReserveL: reserveL(*s)}
	at, err := asbuilt.OperatingPoint(s.Pump, s.Discharge)
	if err == nil || errors.Is(err, water.ErrBeyondCurve) {
		p.AsBuiltLps = at.FlowLps
	}
	runs := runsOf(in.Series[Series{point, site.PumpRun}])
	p.measure(runs, in.Now)
	if p.CapacityLps == 0 {
		p.Reason = "what the pump delivers is neither described nor measured"
		return p
	}
	p.Known = true
	p.storm(in)
	p.inflows(runs, in.Now)
	p.stillOn(in.Series[Series{point, site.PumpOn}], in.Now)
	p.margins()
	return p
}

func primaryPump(p site.Property) (point string, ok bool) {
	for _, pt := range p.Points {
		if pt.Has(site.PumpRun) && pt.Pump != "backup" {
			return pt.ID, true
		}
	}
	return "", false
}

func reserveL(s site.Sump) float64 {
	if s.HighWaterM <= s.FloatOnM {
		return 0
	}
	return asbuilt.Basin(s).GrossL(s.FloatOnM, s.HighWaterM)
}

func runsOf(samples []Sample) []run {
	var out []run
	for _, s := range samples {
		if s.Value > 0 {
			out = append(out, run{s.At, s.At.Add(time.Duration(s.Value * float64(time.Second))), s.Value})
		}
	}
	return out
}

// measure takes the pump's flow from its last runs that followed a rest:
// storage over run, plus the inflow of the rest before.
func (p *Pump) measure(runs []run, now time.Time) {
	const behind = 9
	var flows []float64
	for i := len(runs) - 1; i > 0 && len(flows) < behind; i-- {
		rest := runs[i].start.Sub(runs[i-1].end).Seconds()
		q, err := water.InflowLps(p.StorageL, rest)
		if err != nil {
			continue
		}
		if flow, err := water.PumpFlowLps(p.StorageL, runs[i].seconds, q); err == nil {
			flows = append(flows, flow)
		}
	}
	p.CapacityLps, p.CapacityFrom = p.AsBuiltLps, "as-built"
	if len(flows) < cyclesBehind {
		return
	}
	p.MeasuredLps = spread(flows)
	if p.AsBuiltLps == 0 || p.MeasuredLps.Value < p.AsBuiltLps {
		p.CapacityLps, p.CapacityFrom = p.MeasuredLps.Value, "measured"
	}
}

// spread is the median of a few figures that all hold the storage, with the
// lowest and highest of them widened by what the storage may be off.
func spread(flows []float64) Range {
	return Range{median(flows), slices.Min(flows) * (1 - storageShare), slices.Max(flows) * (1 + storageShare)}
}

func (p *Pump) storm(in Input) {
	samples, from, point := rainSeries(in)
	if len(samples) < 2 {
		return
	}
	p.RainKnown, p.RainFrom, p.RainPoint = true, from, point
	storms := water.Storms{LeastDryHours: in.Property.StormGap.Hours()}
	for i := 1; i < len(samples); i++ {
		// Depth is since the record before; a gauge that reports on change was dry
		// in between, so what it then reports is taken as of the last hour.
		start := samples[i-1].At
		if longest := samples[i].At.Add(-time.Hour); start.Before(longest) {
			start = longest
		}
		if _, _, err := storms.Add(start.UnixMicro(), samples[i].At.UnixMicro(), samples[i].Value); err != nil {
			continue
		}
	}
	if storms.Count > 0 && in.Now.Sub(time.UnixMicro(storms.Current.End)) <= afterStorm {
		now := storms.Current
		p.Storm = &now
	}
}

// StormFrom is when the rain of p.Storm began.
func (p Pump) StormFrom() time.Time { return time.UnixMicro(p.Storm.Start).UTC() }

// StormTo is the end of its last wet interval.
func (p Pump) StormTo() time.Time { return time.UnixMicro(p.Storm.End).UTC() }

// inflows finds present and peak inflow from the rests.
func (p *Pump) inflows(runs []run, now time.Time) {
	since := now.Add(-afterStorm)
	if p.Storm != nil {
		since = time.UnixMicro(p.Storm.Start)
	}
	var flows []float64
	for i := 1; i < len(runs); i++ {
		q, err := water.InflowLps(p.StorageL, runs[i].start.Sub(runs[i-1].end).Seconds())
		if err != nil || runs[i].start.After(now) {
			continue
		}
		flows = append(flows, q)
		if len(flows) < cyclesBehind || runs[i].start.Before(since) {
			continue
		}
		f := Inflow{Lps: spread(flows[len(flows)-cyclesBehind:]), Cycles: cyclesBehind, At: runs[i].start.UTC()}
		if p.Peak == nil || f.Lps.Value > p.Peak.Lps.Value {
			p.Peak = &f
		}
		p.Now = &f
	}
	if p.Now == nil || now.Sub(p.Now.At) > recentFor {
		p.Now = nil
		return
	}
	p.Now = p.Now.atMost(p.StorageL, now.Sub(runs[len(runs)-1].end).Seconds())
}

// atMost holds a present inflow to what the rest that is still going on allows:
// had more come in, the pump would have started.
func (f Inflow) atMost(storageL, restSeconds float64) *Inflow {
	if most, err := water.InflowLps(storageL, restSeconds); err == nil {
		f.Lps.Value, f.Lps.Low = math.Min(f.Lps.Value, most), math.Min(f.Lps.Low, most*(1-storageShare))
		f.Lps.High = math.Min(f.Lps.High, most*(1+storageShare))
	}
	return &f
}

// stillOn takes a run that has not ended: after t seconds the pump has moved Q·t
// and has not brought the level down by the storage, so at least Q - V/t comes in.
func (p *Pump) stillOn(states []Sample, now time.Time) {
	if len(states) == 0 || states[len(states)-1].Value == 0 {
		return
	}
	since := states[len(states)-1].At
	for i := len(states) - 1; i >= 0 && states[i].Value != 0; i-- {
		since = states[i].At
	}
	least := p.CapacityLps - p.StorageL/math.Max(now.Sub(since).Seconds(), 1)
	if least <= 0 || p.Now != nil && p.Now.Lps.Value >= least {
		return
	}
	f := Inflow{Lps: Range{least, least, math.Inf(1)}, Cycles: 0, At: now.UTC()}
	p.Now = &f
	if p.Peak == nil || p.Peak.Lps.Value < least {
		p.Peak = &f
	}
}

func (p *Pump) margins() {
	p.MarginNow, p.HoldsNowHours = p.against(p.Now)
	p.MarginPeak, p.HoldsPeakHours = p.against(p.Peak)
}

// against holds an inflow against the capacity. What the storage may be off
// falls out of the ratio where both sides were measured by it; it is left in
// the range, which errs towards caution.
func (p *Pump) against(f *Inflow) (margin, hours *Range) {
	if f == nil {
		return nil, nil
	}
	share := func(q float64) float64 { return 1 - q/p.CapacityLps }
	margin = &Range{share(f.Lps.Value), share(f.Lps.High), share(f.Lps.Low)}
	if p.ReserveL == 0 {
		return margin, nil
	}
	hold := func(q float64) float64 { return p.ReserveL / q / 3600 }
	return margin, &Range{hold(f.Lps.Value), hold(f.Lps.High), hold(f.Lps.Low)}
}
