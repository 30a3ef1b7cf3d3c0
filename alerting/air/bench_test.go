package air

import (
	"math"
	"syscall"
	"testing"
	"time"
)

// sink keeps the compiler from dropping what is measured.
var sink float64

// perCPU runs f b.N times and reports its processor time beside the wall time: on a
// machine that is shared only the first can be compared.
func perCPU(b *testing.B, f func(i int)) {
	b.Helper()
	b.ReportAllocs()
	before := processorTime(b)
	for i := 0; b.Loop(); i++ {
		f(i)
	}
	b.ReportMetric(float64(processorTime(b)-before)/float64(b.N), "cpu-ns/op")
}

func processorTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// crawlSpace is a different state of a crawl space each time.
func crawlSpace(i int) (tempC, rhPct float64) { return 15 + float64(i&15)/2, 50 + float64(i&31) }

// Asked for: under 50 ns, no allocation.
func BenchmarkDewPoint(b *testing.B) {
	perCPU(b, func(i int) { sink = FastDewPointC(crawlSpace(i)) })
}

func BenchmarkDewPointChecked(b *testing.B) {
	perCPU(b, func(i int) { sink, _ = DewPointC(crawlSpace(i)) })
}

func BenchmarkVapourPressure(b *testing.B) {
	perCPU(b, func(i int) { sink = FastVapourPressurePa(crawlSpace(i)) })
}

func BenchmarkSurfaceRH(b *testing.B) {
	perCPU(b, func(i int) {
		tempC, rhPct := crawlSpace(i)
		sink = FastSurfaceRHPct(tempC, rhPct, tempC-2)
	})
}

func BenchmarkEMC(b *testing.B) {
	perCPU(b, func(i int) { sink = FastEMCPct(crawlSpace(i)) })
}

func BenchmarkWoodLag(b *testing.B) {
	w := WoodLag{TimeConstant: DefaultWoodTimeConstant}
	perCPU(b, func(i int) { sink = w.Step(10+float64(i&7), 5*time.Minute) })
}

func BenchmarkWetBulb(b *testing.B) {
	perCPU(b, func(i int) {
		tempC, rhPct := crawlSpace(i)
		sink, _ = WetBulbC(tempC, rhPct, StandardPressurePa)
	})
}

// Asked for: under 100 ns, no allocation. Growing is the dear case.
func BenchmarkMoldStepGrowing(b *testing.B) {
	m := model(b, DefaultMoldOptions())
	perCPU(b, func(i int) {
		tempC, _ := crawlSpace(i)
		sink = m.Step(MoldState{Index: 0.5}, tempC, 85+float64(i&15)).Index
	})
}

func BenchmarkMoldStepDry(b *testing.B) {
	m := model(b, DefaultMoldOptions())
	perCPU(b, func(i int) {
		tempC, _ := crawlSpace(i)
		sink = m.Step(MoldState{Index: 0.5, DryHours: 30}, tempC, 50+float64(i&15)).Index
	})
}

// While there was no gap the bounds cost nothing; after one, a few exponentials.
func BenchmarkMoldTrackAfterGap(b *testing.B) {
	m := model(b, DefaultMoldOptions())
	start := MoldTrack{State: MoldState{Index: 0.5}, Low: 0.4, High: 1.2, MaxDryHours: 30}
	perCPU(b, func(i int) {
		track := start
		tempC, _ := crawlSpace(i)
		m.Track(&track, tempC, 85+float64(i&15))
		sink = track.High
	})
}

// yearReadings is a year of one point at 5 minutes.
const yearReadings = 365 * 24 * 12

// oneYear takes a year of readings through the air, the wood and the mold of one
// point: dew point, vapour pressure and moisture content at each reading, the mold
// index and its bounds each hour on the hour's means.
func oneYear(m *MoldModel, tempC, rhPct []float64) float64 {
	wood := WoodLag{TimeConstant: DefaultWoodTimeConstant}
	track := StartMoldTrack(MoldState{})
	var dew, vapour, sumT, sumRH float64
	for i := range tempC {
		dew += FastDewPointC(tempC[i], rhPct[i])
		vapour += FastVapourPressurePa(tempC[i], rhPct[i])
		wood.Step(FastEMCPct(tempC[i], rhPct[i]), 5*time.Minute)
		sumT += tempC[i]
		sumRH += rhPct[i]
		if i%12 == 11 {
			m.Track(&track, sumT/12, sumRH/12)
			sumT, sumRH = 0, 0
		}
	}
	return dew + vapour + wood.MoisturePct + track.High
}

func year() (tempC, rhPct []float64) {
	tempC, rhPct = make([]float64, yearReadings), make([]float64, yearReadings)
	for i := range tempC {
		season, day := 2*math.Pi*float64(i)/yearReadings, 2*math.Pi*float64(i)/288
		tempC[i] = 15 - 8*math.Cos(season) + math.Sin(day)
		rhPct[i] = 78 - 15*math.Cos(season) + 4*math.Sin(day)
	}
	return tempC, rhPct
}

// Asked for: under 30 ms, no allocation.
func BenchmarkYearOfOnePoint(b *testing.B) {
	m := model(b, DefaultMoldOptions())
	tempC, rhPct := year()
	perCPU(b, func(int) { sink = oneYear(m, tempC, rhPct) })
}

// A reading allocates nothing, on the way of a whole year through this package.
// Not parallel: it counts what the process allocates.
func TestReadingsAllocateNothing(t *testing.T) {
	m := model(t, DefaultMoldOptions())
	tempC, rhPct := year()
	if n := testing.AllocsPerRun(3, func() { sink = oneYear(m, tempC[:3000], rhPct[:3000]) }); n != 0 {
		t.Errorf("3,000 readings made %g allocations", n)
	}
	n := testing.AllocsPerRun(100, func() {
		sink, _ = DewPointC(18, 60)
		sink, _ = WetBulbC(18, 60, StandardPressurePa)
		sink += FastSurfaceRHPct(18, 60, 15) + FastDewPointUncertaintyK(18, 60, 10, 0.2, 1)
	})
	if n != 0 {
		t.Errorf("the checked functions made %g allocations", n)
	}
}
