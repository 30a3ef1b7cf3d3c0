package water

import "math"

// Friction constants of the discharge line.
const (
	// RoughnessPVC is Hazen-Williams C of plastic pipe, as the friction table of
	// 77 Ill. Adm. Code 906 App. A Exhibit I uses it. Some diagrams use 140, which
	// gives 13.6 % more loss.
	RoughnessPVC = 150.0
	// ElbowDiameters is the equivalent length of a standard 90° elbow in pipe
	// diameters (handbook tables of L/D after Crane TP 410: 30).
	ElbowDiameters = 30.0
	// CheckValveDiameters is the equivalent length of an open swing check valve in
	// pipe diameters: 100 (Crane TP 410, from memory). Tables run from 50 (clearway)
	// to 135 (conventional); CIDWT 2008 lists 14 ft at 1-1/2 in, which is 104.
	CheckValveDiameters = 100.0
)

// Line is a discharge line from a pump to its outlet.
type Line struct {
	InsideDiameterM float64
	LengthM         float64
	LiftM           float64 // static, from the float-off level to the outlet
	Elbows          int
	CheckValve      bool
	Roughness       float64 // Hazen-Williams C; 0: RoughnessPVC
}

// pipes are nominal inside diameters in inches of Schedule 40 pipe (ASME B36.10 /
// ASTM D1785 nominal dimensions; 1.610 and 2.067 reproduce the published friction
// table, 1.380 from memory). True average bores of PVC are a little smaller, which
// adds 5-6 % of loss.
var pipes = map[string]float64{
	"pvc-sch40-1.25in": 1.380,
	"pvc-sch40-1.5in":  1.610,
	"pvc-sch40-2in":    2.067,
}

// PipeDiameterM is the inside diameter of a pipe by its name in property files.
func PipeDiameterM(name string) (float64, bool) {
	in, ok := pipes[name]
	return in * metersPerInch, ok
}

// Validate says what is impossible about the line.
func (l Line) Validate() error {
	if err := positive("inside diameter of the discharge pipe", l.InsideDiameterM); err != nil {
		return err
	}
	if err := notNegative("length of the discharge pipe", l.LengthM); err != nil {
		return err
	}
	if err := notNegative("lift of the discharge", l.LiftM); err != nil {
		return err
	}
	if err := notNegative("Hazen-Williams C", l.Roughness); err != nil {
		return err
	}
	return notNegative("number of elbows", float64(l.Elbows))
}

// EquivalentLengthM is the pipe's length plus that of its fittings.
func (l Line) EquivalentLengthM() float64 {
	d := ElbowDiameters * float64(l.Elbows)
	if l.CheckValve {
		d += CheckValveDiameters
	}
	return l.LengthM + d*l.InsideDiameterM
}

// FrictionHeadM is the head lost in pipe and fittings at a flow, after
// Hazen-Williams: hf/L = 0.2083 (100/C)^1.852 Q^1.852 / d^4.8655 per 100, with Q in
// US gpm and d in inches. The head of the jet that leaves the outlet (v²/2g, a few
// centimetres) is left out, as in handbook practice.
func (l Line) FrictionHeadM(flowLps float64) float64 {
	if flowLps <= 0 {
		return 0
	}
	c := l.Roughness
	if c == 0 {
		c = RoughnessPVC
	}
	gpm, in := flowLps/lpsPerGpm, l.InsideDiameterM/metersPerInch
	per100 := 0.2083 * math.Pow(100/c, 1.852) * math.Pow(gpm, 1.852) / math.Pow(in, 4.8655)
	return per100 / 100 * l.EquivalentLengthM()
}

// HeadM is what the line asks for at a flow: lift plus friction.
func (l Line) HeadM(flowLps float64) float64 { return l.LiftM + l.FrictionHeadM(flowLps) }

// VelocityMps is the mean velocity in the pipe, by continuity.
func (l Line) VelocityMps(flowLps float64) float64 {
	return flowLps / litersPerM3 / (math.Pi / 4 * l.InsideDiameterM * l.InsideDiameterM)
}

// VolumeL is the water that stands in the pipe: what drains back into the basin
// after each run when no check valve holds it.
func (l Line) VolumeL() float64 {
	return math.Pi / 4 * l.InsideDiameterM * l.InsideDiameterM * l.LengthM * litersPerM3
}

// BackDrainL is what flows back after each run: nothing behind a check valve that
// closes, else the whole line (an upper bound: a line that falls towards its outlet
// after its highest point keeps part of it).
func (l Line) BackDrainL() float64 {
	if l.CheckValve {
		return 0
	}
	return l.VolumeL()
}
