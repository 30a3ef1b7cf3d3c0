package air

import (
	"fmt"
	"math"
	"strings"
)

// Salt is a salt whose saturated solution holds a known RH in a closed box: the
// field check of a humidity sensor (ASTM E104).
type Salt uint8

// The salts of Greenspan (1977), in order of their RH.
const (
	LithiumChloride Salt = iota + 1
	MagnesiumChloride
	PotassiumCarbonate
	MagnesiumNitrate
	SodiumBromide
	SodiumChloride
	PotassiumChloride
	PotassiumNitrate
	PotassiumSulfate
)

// saltFigures: RH = Σ poly[i] T^i in %RH with T in °C. Greenspan, J. Res. Natl.
// Bur. Stand. 81A (1977) 89-96. uncert is his uncertainty in %RH at 0, 5, 10 …
// °C up to maxC.
type saltFigures struct {
	formula, name string
	poly          [4]float64
	minC          float64
	uncert        []float64 // every 5 K from minC
}

// The first-order term of lithium chloride is positive. It is often printed with
// a minus, which gives 10.89 %RH at 25 °C where every table has 11.3.
//
// Magnesium nitrate and sodium bromide are straight lines and a parabola through
// Greenspan's tabulated values. Uncertainties, and RH outside 15 to 30 °C, are
// from memory of his table; the RH agree with the polynomials.
var saltTable = [...]saltFigures{
	LithiumChloride: {"LiCl", "lithium chloride", [4]float64{11.2323, 0.00824245, -0.000214890}, 0,
		[]float64{0.54, 0.47, 0.41, 0.35, 0.31, 0.27, 0.24, 0.22, 0.21}},
	MagnesiumChloride: {"MgCl2", "magnesium chloride", [4]float64{33.6686, -0.00797397, -0.00108988}, 0,
		[]float64{0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14, 0.13, 0.13}},
	PotassiumCarbonate: {"K2CO3", "potassium carbonate", [4]float64{43.1315, 0.00147523}, 0,
		[]float64{0.66, 0.50, 0.39, 0.33, 0.33, 0.39, 0.50}},
	MagnesiumNitrate: {"Mg(NO3)2", "magnesium nitrate", [4]float64{60.34, -0.298}, 0,
		[]float64{0.55, 0.43, 0.33, 0.27, 0.23, 0.22, 0.24, 0.29, 0.37}},
	SodiumBromide: {"NaBr", "sodium bromide", [4]float64{65.72, -0.341, 0.0006}, 20,
		[]float64{0.44, 0.40, 0.38}},
	SodiumChloride: {"NaCl", "sodium chloride", [4]float64{75.5164, 0.0398321, -0.00265459, 0.00002848}, 0,
		[]float64{0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11, 0.12, 0.13}},
	PotassiumChloride: {"KCl", "potassium chloride", [4]float64{88.6190, -0.193340, 0.000899706}, 0,
		[]float64{0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25, 0.25, 0.25}},
	PotassiumNitrate: {"KNO3", "potassium nitrate", [4]float64{96.3361, 0.0112371, -0.00484514}, 0,
		[]float64{2.9, 2.1, 1.4, 0.96, 0.66, 0.55, 0.60, 0.83, 1.2}},
	PotassiumSulfate: {"K2SO4", "potassium sulfate", [4]float64{98.7792, -0.0590502}, 0,
		[]float64{1.1, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40, 0.38, 0.38}},
}

func (s Salt) known() bool { return s >= LithiumChloride && s <= PotassiumSulfate }

// String is the salt's chemical formula.
func (s Salt) String() string {
	if !s.known() {
		return fmt.Sprintf("salt %d", uint8(s))
	}
	return saltTable[s].formula
}

// Name is the salt's name in words.
func (s Salt) Name() string {
	if !s.known() {
		return s.String()
	}
	return saltTable[s].name
}

// Salts lists every salt in order of its RH.
func Salts() []Salt {
	all := make([]Salt, 0, len(saltTable)-1)
	for s := LithiumChloride; s <= PotassiumSulfate; s++ {
		all = append(all, s)
	}
	return all
}

// ParseSalt finds a salt by its formula, in either case.
func ParseSalt(formula string) (Salt, error) {
	var known []string
	for _, s := range Salts() {
		if strings.EqualFold(formula, s.String()) {
			return s, nil
		}
		known = append(known, s.String())
	}
	return 0, fmt.Errorf("salt %q is not one of %s", formula, strings.Join(known, ", "))
}

// MarshalText is the salt's formula, for JSON.
func (s Salt) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a salt's formula.
func (s *Salt) UnmarshalText(formula []byte) (err error) {
	*s, err = ParseSalt(string(formula))
	return err
}

// RangeC is between which temperatures the salt's RH is known here; an unknown salt
// has no range.
func (s Salt) RangeC() (minC, maxC float64) {
	if !s.known() {
		return math.NaN(), math.NaN()
	}
	f := &saltTable[s]
	return f.minC, f.minC + 5*float64(len(f.uncert)-1)
}

// SaltRH is the RH over the saturated solution of a salt, with the uncertainty
// that Greenspan states for it, both in %RH.
type SaltRH struct {
	RHPct          float64 `json:"rh_pct"`
	UncertaintyPct float64 `json:"uncertainty_pct"`
}

// ExpectedRH is the RH over the saturated solution of s in a closed box at tempC.
func ExpectedRH(s Salt, tempC float64) (SaltRH, error) {
	if !s.known() {
		return SaltRH{}, fmt.Errorf("expected RH: unknown salt %d", uint8(s))
	}
	minC, maxC := s.RangeC()
	if err := within("temperature of "+s.String(), tempC, minC, maxC, "°C"); err != nil {
		return SaltRH{}, fmt.Errorf("expected RH: %w", err)
	}
	f := &saltTable[s]
	rhPct := f.poly[0] + tempC*(f.poly[1]+tempC*(f.poly[2]+tempC*f.poly[3]))
	at := (tempC - minC) / 5
	i := min(int(at), len(f.uncert)-2)
	part := at - float64(i)
	return SaltRH{RHPct: rhPct, UncertaintyPct: f.uncert[i]*(1-part) + f.uncert[i+1]*part}, nil
}

// SaltCheck is the outcome of holding a sensor over a salt. All in %RH.
type SaltCheck struct {
	Salt         Salt    `json:"salt"`
	TempC        float64 `json:"temp_c"`
	ExpectedPct  float64 `json:"expected_pct"`
	ReadPct      float64 `json:"read_pct"`
	DeviationPct float64 `json:"deviation_pct"` // read minus expected
	TolerancePct float64 `json:"tolerance_pct"` // salt + sensor + temperature
	Within       bool    `json:"within"`        // |deviation| <= tolerance
}

// saltTemperaturePct covers half a kelvin between sensor and solution
// (common practice, no source).
const saltTemperaturePct = 0.5

// CheckSensor judges what a sensor of accuracy ±accuracyPct (0 to 20 %RH) reads
// over a salt at tempC. The tolerance is the sum of the salt's uncertainty, the
// sensor's accuracy and 0.5 %RH for a box that is not quite isothermal.
func CheckSensor(s Salt, tempC, readPct, accuracyPct float64) (SaltCheck, error) {
	expected, err := ExpectedRH(s, tempC)
	if err != nil {
		return SaltCheck{}, fmt.Errorf("sensor check: %w", err)
	}
	if err := within("RH read", readPct, 0, MaxRHPct, "%RH"); err != nil {
		return SaltCheck{}, fmt.Errorf("sensor check over %s: %w", s, err)
	}
	if err := within("accuracy of the sensor", accuracyPct, 0, 20, "%RH"); err != nil {
		return SaltCheck{}, fmt.Errorf("sensor check over %s: %w", s, err)
	}
	c := SaltCheck{
		Salt: s, TempC: tempC, ExpectedPct: expected.RHPct, ReadPct: readPct,
		DeviationPct: readPct - expected.RHPct,
		TolerancePct: expected.UncertaintyPct + accuracyPct + saltTemperaturePct,
	}
	c.Within = math.Abs(c.DeviationPct) <= c.TolerancePct
	return c, nil
}

// saltResolutionPct is half the last digit of an instrument that shows tenths.
const saltResolutionPct = 0.05

// Offset is how much the sensor of a check reads too high, in %RH: take it from
// later readings to correct them. Its standard uncertainty combines the salt's
// RH, the box that is not quite isothermal and the last digit, each as a limit
// within which every value is equally likely (JCGM 100:2008, 4.3.7 and 5.1.2).
// The sensor's own accuracy is no part of it: that is what was measured.
func (c SaltCheck) Offset() (Estimate, error) {
	expected, err := ExpectedRH(c.Salt, c.TempC)
	if err != nil {
		return Estimate{}, fmt.Errorf("offset of a sensor: %w", err)
	}
	salt, box, digit := StandardFromLimit(expected.UncertaintyPct), StandardFromLimit(saltTemperaturePct), StandardFromLimit(saltResolutionPct)
	return Estimate{Value: c.DeviationPct, Standard: math.Sqrt(salt*salt + box*box + digit*digit)}, nil
}
