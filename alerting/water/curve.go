package water

import (
	"errors"
	"fmt"
	"math"
	"sort"
)

// ErrNoFlow says that a pump cannot lift water through its discharge line at all.
var ErrNoFlow = errors.New("the pump's shut-off head does not exceed the lift")

// ErrBeyondCurve says that the operating point lies outside the listed points of a
// pump curve; nothing is extrapolated.
var ErrBeyondCurve = errors.New("the operating point lies beyond the listed points of the pump curve")

// CurvePoint of a pump: the flow it delivers against a head of water.
type CurvePoint struct{ FlowLps, HeadM float64 }

// Curve is the head a pump gives at a flow, falling from its least flow to its greatest.
type Curve struct {
	// parabola H = shutoffM − slope·Q², when points is empty
	shutoffM, slope float64
	points          []CurvePoint // by rising flow
}

// ParabolaCurve is the curve through the shut-off head and one rated point, level
// at zero flow: H = Hs − (Hs − Hr)(Q/Qr)². The usual one-point approximation of a
// centrifugal pump (from memory); a real curve sags a little more or less.
func ParabolaCurve(ratedFlowLps, atHeadM, shutoffHeadM float64) (Curve, error) {
	if err := positive("rated flow", ratedFlowLps); err != nil {
		return Curve{}, err
	}
	if err := notNegative("rated head", atHeadM); err != nil {
		return Curve{}, err
	}
	if err := positive("shut-off head", shutoffHeadM); err != nil {
		return Curve{}, err
	}
	if shutoffHeadM <= atHeadM {
		return Curve{}, fmt.Errorf("shut-off head %g m is not above the rated head %g m", shutoffHeadM, atHeadM)
	}
	return Curve{shutoffM: shutoffHeadM, slope: (shutoffHeadM - atHeadM) / (ratedFlowLps * ratedFlowLps)}, nil
}

// PointCurve joins the listed points of a curve by straight lines. Flows must differ
// and heads fall strictly as flow rises. A real curve bulges above
// the chords, so straight lines err to the safe side (less flow).
func PointCurve(points []CurvePoint) (Curve, error) {
	if len(points) < 2 {
		return Curve{}, fmt.Errorf("a pump curve needs at least two points, has %d", len(points))
	}
	ps := append([]CurvePoint(nil), points...)
	sort.Slice(ps, func(i, j int) bool { return ps[i].FlowLps < ps[j].FlowLps })
	for i, p := range ps {
		if err := errors.Join(notNegative("curve flow", p.FlowLps), notNegative("curve head", p.HeadM)); err != nil {
			return Curve{}, err
		}
		if i > 0 && (p.FlowLps == ps[i-1].FlowLps || p.HeadM >= ps[i-1].HeadM) {
			return Curve{}, fmt.Errorf("pump curve does not fall from %g L/s at %g m to %g L/s at %g m",
				ps[i-1].FlowLps, ps[i-1].HeadM, p.FlowLps, p.HeadM)
		}
	}
	return Curve{points: ps}, nil
}

// FlowRangeLps is the range of flows that the curve covers.
func (c Curve) FlowRangeLps() (least, most float64) {
	if len(c.points) > 0 {
		return c.points[0].FlowLps, c.points[len(c.points)-1].FlowLps
	}
	return 0, math.Sqrt(c.shutoffM / c.slope)
}

// HeadM is the head at a flow; outside FlowRangeLps the nearest end's.
func (c Curve) HeadM(flowLps float64) float64 {
	least, most := c.FlowRangeLps()
	q := math.Min(math.Max(flowLps, least), most)
	if len(c.points) == 0 {
		return math.Max(0, c.shutoffM-c.slope*q*q)
	}
	i := sort.Search(len(c.points), func(i int) bool { return c.points[i].FlowLps >= q })
	if i == 0 {
		return c.points[0].HeadM
	}
	a, b := c.points[i-1], c.points[i]
	return a.HeadM + (b.HeadM-a.HeadM)*(q-a.FlowLps)/(b.FlowLps-a.FlowLps)
}

// OperatingPoint is where the pump's curve meets the head that the line asks for.
// It returns ErrNoFlow when the pump cannot lift that high, and ErrBeyondCurve (with
// the last listed point) when listed points end before the line does.
func OperatingPoint(c Curve, l Line) (CurvePoint, error) {
	if err := l.Validate(); err != nil {
		return CurvePoint{}, err
	}
	low, high := c.FlowRangeLps()
	if excess(c, l, low) <= 0 {
		if low > 0 {
			return c.points[0], ErrBeyondCurve
		}
		return CurvePoint{}, ErrNoFlow
	}
	if len(c.points) > 0 && excess(c, l, high) > 0 {
		return CurvePoint{FlowLps: high, HeadM: c.HeadM(high)}, ErrBeyondCurve
	}
	// The excess falls strictly with flow, so halving always closes in; 60 halvings
	// exhaust a float64.
	for range 60 {
		mid := (low + high) / 2
		if excess(c, l, mid) > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	q := (low + high) / 2
	return CurvePoint{FlowLps: q, HeadM: l.HeadM(q)}, nil
}

// excess is the head that the pump has to spare at a flow.
func excess(c Curve, l Line, flowLps float64) float64 { return c.HeadM(flowLps) - l.HeadM(flowLps) }
