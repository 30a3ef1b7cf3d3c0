package water

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
)

// Bank of catchments, weighted by how well each foresaw the cycles. It is a particle
// filter: those that foresee badly give way to neighbours of those that foresee well
// (Liu and West 2001, with a shrinking kernel; from memory). Its chance is a counter in the
// state, so that the same events give the same bank.
type Bank struct {
	All    [catchments]Catchment
	Weight [catchments]float32
	Draws  uint64
	// OffSquare is the mean square of how far off (ln) the bank was of late, storm by storm.
	OffSquare float32
}

// Constants of learning (tuned on measured rain of Newark 2013 and gauge 05408480 over
// simulated sites).
const (
	stormSpread    = 0.5 // ln: how far a storm's water is off as a whole
	cycleSpread    = 0.6 // ln: how far single cycles are off beyond that
	mostTelling    = 5.0 // cycles of one storm tell no more than so many independent ones
	firstTelling   = 2.0 // the first cycle of a storm against a later one
	greatestOff    = 2.0 // ln: an error counts for no more
	scoreKeep      = 0.97
	kernel         = 0.4   // of the jitter, in standard deviations of the bank
	leastKernel    = 0.03  // the same of the unit cube, so that no trait is ever settled
	gainDrift      = 0.001 // added to the variance of a gain for each storm
	greatestLnGain = 5.0   // 150 cycles a millimetre: more ground than any house drains
	offRate        = 0.025 // a storm's share in what is known of the errors
	firstOffSquare = 0.1
	leastGainVar   = 0.002
)

// newBank spreads the catchments over their traits by a low-discrepancy sequence
// (Roberts' generalised golden ratio; from memory).
func newBank(lnGain, variance float64) Bank {
	var b Bank
	root := 1.0
	for range 60 {
		root = math.Pow(1+root, 1/float64(traits+1))
	}
	for i := range b.All {
		var u [traits]float64
		for k := range u {
			_, u[k] = math.Modf(0.5 + float64(i+1)*math.Pow(root, -float64(k+1)))
		}
		c := &b.All[i]
		c.shape(u)
		c.SoilMm = c.SoilSize / 2
		c.setLnGain(lnGain)
		c.Variance = float32(variance)
	}
	b.OffSquare = firstOffSquare
	b.weigh()
	return b
}

// step runs one cell and returns the outflow in it, in cycles.
func (b *Bank) step(waterMm, evaporationMm, since float64) float64 {
	var sum float32
	for i := range b.All {
		c := &b.All[i]
		c.step(float32(waterMm), float32(evaporationMm), float32(since))
		sum += b.Weight[i] * c.Gain * c.LatestMm
	}
	return float64(sum)
}

// pass runs several cells without water at once; it returns their outflow, in cycles.
func (b *Bank) pass(cells int, evaporationMm, since float64) float64 {
	keep := power(sinceKeep, cells)
	for i := range b.All {
		b.All[i].pass(cells, float32(evaporationMm), float32(since), keep)
	}
	return b.outflow() * float64(cells)
}

// outflow in the last cell, in cycles.
func (b *Bank) outflow() float64 {
	var sum float32
	for i := range b.All {
		sum += b.Weight[i] * b.All[i].Gain * b.All[i].LatestMm
	}
	return float64(sum)
}

// inflow since the last cycle, in cycles: never less than by lnInflow, and cheaper.
func (b *Bank) inflow() float64 {
	var sum float32
	for i := range b.All {
		sum += b.Weight[i] * b.All[i].Gain * b.All[i].SinceMm
	}
	return float64(sum)
}

// lnInflow is the mean and the variance of the ln of the inflow since the last cycle.
func (b *Bank) lnInflow(dry float64) (mean, variance float64) {
	var square float64
	for i := range b.All {
		w, m := float64(b.Weight[i]), b.All[i].lnInflow(float32(dry))
		mean += w * m
		square += w * (m*m + float64(b.All[i].Variance))
	}
	return mean, math.Max(0, square-mean*mean)
}

// cycle notes a cycle: since is the share of the present cell between the cycle before,
// or the cell's start, and this one; dry is what came without rain since the cycle before.
// It returns the mean and the variance of the ln of the inflow that was expected.
func (b *Bank) cycle(since, dry, dryPerHour, telling float64) (mean, variance float64) {
	for i := range b.All {
		c := &b.All[i]
		mm := float64(max(c.SinceMm, 0)) + since*float64(c.LatestMm)
		rain := float64(c.Gain) * math.Max(mm, leastMm)
		off := math.Min(math.Max(ln(float32(rain+dry)), -greatestOff), greatestOff)
		perHour := float64(c.Gain*c.LatestMm) / cellHours
		// By what has come and by what comes just now: a sprinkler's burst is no rain.
		w := telling * math.Min(rain/(rain+dry), perHour/(perHour+dryPerHour+1e-9))
		c.Weight += float32(w)
		c.Errors += float32(w * off)
		c.Squares += float32(w * off * off)
		c.SinceMm = 0
		share := float64(b.Weight[i])
		mean += share * off
		variance += share * (off*off + float64(c.Variance))
	}
	return mean, math.Max(0, variance-mean*mean)
}

func (b *Bank) emptied() {
	for i := range b.All {
		b.All[i].SinceMm = 0
	}
}

// hold says that the basin holds less than one cycle, whatever was expected.
func (b *Bank) hold() {
	for i := range b.All {
		c := &b.All[i]
		if m := c.Gain * c.SinceMm; m > 1 {
			c.SinceMm /= m
		}
	}
}

// learn takes a segment's evidence over. widen is added to what is not known of the gains.
func (b *Bank) learn(dry, widen float64) {
	var square, told float64
	for i := range b.All {
		c := &b.All[i]
		off, weight := c.learn(dry, widen)
		square += float64(b.Weight[i]) * weight * off * off
		told += float64(b.Weight[i]) * weight
	}
	if told > 0 {
		b.OffSquare += float32(offRate * math.Min(told, 1) * (square/told - float64(b.OffSquare)))
	}
	b.weigh()
	b.renew()
}

// learn weighs the errors of the segment: a common one of the storm, which the gain may
// be to blame for, and single ones. It returns the common one and its weight.
func (c *Catchment) learn(dry, widen float64) (off, weight float64) {
	// Water that has come since the last cycle without another says that there is less.
	if m := c.lnInflow(float32(dry)); m > 0 && c.SinceMm > leastMm {
		over := float32(math.Min(m, greatestOff))
		c.Weight++
		c.Errors += over
		c.Squares += over * over
	}
	c.Score *= scoreKeep
	c.Variance += float32(widen)
	if weight = float64(c.Weight); weight > 0 {
		n := math.Min(weight, mostTelling)
		off = float64(c.Errors) / weight
		single := math.Max(0, float64(c.Squares)/weight-off*off)
		noise := stormSpread*stormSpread + cycleSpread*cycleSpread/n
		common := float64(c.Variance) + noise
		c.Score -= float32(0.5 * (n*single/(cycleSpread*cycleSpread) + off*off/common + math.Log(common)))
		share := float64(c.Variance) / common
		c.setLnGain(math.Min(float64(c.LnGain)-share*off, greatestLnGain))
		c.Variance = float32(math.Max(leastGainVar, float64(c.Variance)*(1-share)+gainDrift))
	}
	c.forget()
	return off, weight
}

func (c *Catchment) forget() { c.Weight, c.Errors, c.Squares = 0, 0, 0 }

func (b *Bank) drop() {
	for i := range b.All {
		b.All[i].forget()
	}
}

// weigh the catchments anew by their scores.
func (b *Bank) weigh() {
	top := float32(math.Inf(-1))
	for i := range b.All {
		top = max(top, b.All[i].Score)
	}
	sum := 0.0
	for i := range b.All {
		w := math.Exp(float64(b.All[i].Score - top))
		b.Weight[i] = float32(w)
		sum += w
	}
	for i := range b.Weight {
		b.Weight[i] /= float32(sum)
	}
}

// renew draws the bank anew once few catchments carry the weight.
func (b *Bank) renew() {
	squares := float32(0)
	for _, w := range b.Weight {
		squares += w * w
	}
	if 1/squares > catchments/2 {
		return
	}
	center, sd := b.spread()
	old := *b
	b.Draws++
	at, carried, from, before := b.uniform(0)/catchments, float64(old.Weight[0]), 0, -1
	for i := range b.All {
		for carried < at && from < catchments-1 {
			from++
			carried += float64(old.Weight[from])
		}
		b.All[i] = old.All[from]
		if from == before { // the first of a kind stays as it is
			b.vary(i, center, sd)
		}
		b.All[i].Score = 0
		before, at = from, at+1.0/catchments
	}
	b.weigh()
}

// spread is the mean and the standard deviation of the bank's traits, in the unit cube.
func (b *Bank) spread() (center, sd [traits]float64) {
	var square [traits]float64
	for i := range b.All {
		w := float64(b.Weight[i])
		for k, u := range b.All[i].shaped() {
			center[k] += w * u
			square[k] += w * u * u
		}
	}
	for k := range sd {
		sd[k] = math.Sqrt(math.Max(0, square[k]-center[k]*center[k]))
	}
	return center, sd
}

// vary moves a catchment a little, water and all.
func (b *Bank) vary(i int, center, sd [traits]float64) {
	shrink := math.Sqrt(1 - kernel*kernel)
	c := &b.All[i]
	u := c.shaped()
	for k := range u {
		v := center[k] + shrink*(u[k]-center[k]) + math.Max(kernel*sd[k], leastKernel)*b.normal(1+i*traits+k)
		v = math.Abs(v) // reflected at both faces
		u[k] = math.Min(math.Max(1-math.Abs(1-v), 0), 1)
	}
	size := c.SoilSize
	c.shape(u)
	c.SoilMm *= c.SoilSize / size
	c.CanopyMm = min(c.CanopyMm, c.Canopy)
}

// uniform is chance from [0, 1): SplitMix64 (Steele, Lea and Flood 2014) over the renewal
// and a place in it. So a catchment's chance does not depend on what befell the others,
// and a change that is as small as rounding stays small.
func (b *Bank) uniform(place int) float64 {
	z := (b.Draws<<20 + uint64(place)) * 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64((z^z>>31)>>11) / (1 << 53)
}

// normal is nearly a standard normal deviate: the sum of four uniform ones, scaled.
func (b *Bank) normal(place int) float64 {
	const parts = 4
	sum := -parts / 2.0
	for n := range parts {
		sum += b.uniform(place*parts + n)
	}
	return sum * math.Sqrt(12.0/parts)
}

// MarshalBinary packs the bank; the weights follow from the scores.
func (b Bank) MarshalBinary() ([]byte, error) {
	p := binary.LittleEndian.AppendUint64(make([]byte, 0, bankBytes), b.Draws)
	p = binary.LittleEndian.AppendUint32(p, math.Float32bits(b.OffSquare))
	for i := range b.All {
		for _, v := range b.All[i].numbers() {
			p = binary.LittleEndian.AppendUint32(p, math.Float32bits(*v))
		}
	}
	return p, nil
}

const bankBytes = 12 + 4*catchments*numbersKept

// UnmarshalBinary reads what MarshalBinary wrote. A bank of another size is one of another
// version: it is left empty, and its response has to start afresh.
func (b *Bank) UnmarshalBinary(p []byte) error {
	*b = Bank{}
	if len(p) != bankBytes {
		return nil
	}
	b.Draws, p = binary.LittleEndian.Uint64(p), p[8:]
	next := func() (v float32) {
		v, p = math.Float32frombits(binary.LittleEndian.Uint32(p)), p[4:]
		return v
	}
	b.OffSquare = next()
	for i := range b.All {
		c := &b.All[i]
		for _, v := range c.numbers() {
			*v = next()
		}
		c.setLnGain(float64(c.LnGain))
	}
	b.weigh()
	return nil
}

// empty says that there is no bank: it was not made, or read from another version.
func (b *Bank) empty() bool { return b.All[0].SoilSize == 0 }

// MarshalText is MarshalBinary in base64.
func (b Bank) MarshalText() ([]byte, error) {
	p, err := b.MarshalBinary()
	return base64.StdEncoding.AppendEncode(nil, p), err
}

// UnmarshalText reads what MarshalText wrote.
func (b *Bank) UnmarshalText(text []byte) error {
	p, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("read the bank of a rain response: %w", err)
	}
	return b.UnmarshalBinary(p)
}
