package air

import (
	"fmt"
	"math"
)

// MoldClass is the sensitivity of a surface to mold (Ojanen, Viitanen et al.
// 2010). The zero value is no class, so that a forgotten one is an error.
type MoldClass uint8

// The classes, with the materials the paper names.
const (
	VerySensitive   MoldClass = iota + 1 // pine sapwood
	Sensitive                            // planed or glued wood, spruce, paper-faced board
	MediumResistant                      // concrete, mineral and polyester wool
	Resistant                            // glass, metal, polished polyurethane
)

var moldClassNames = [...]string{"", "very-sensitive", "sensitive", "medium-resistant", "resistant"}

// String is the class's name in property files.
func (c MoldClass) String() string {
	if int(c) < len(moldClassNames) {
		return moldClassNames[c]
	}
	return fmt.Sprintf("mold class %d", uint8(c))
}

// ParseMoldClass finds a class by its name in property files.
func ParseMoldClass(name string) (MoldClass, error) {
	for i, n := range moldClassNames {
		if i > 0 && n == name {
			return MoldClass(i), nil
		}
	}
	return 0, fmt.Errorf("mold class %q is not one of very-sensitive, sensitive, medium-resistant, resistant", name)
}

// MarshalText is the class's name, for JSON.
func (c MoldClass) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads a class's name.
func (c *MoldClass) UnmarshalText(name []byte) (err error) {
	*c, err = ParseMoldClass(string(name))
	return err
}

// RHCritForm is how the RH above which mold can grow follows the temperature.
// All forms use the polynomial of the 1999 paper at and below 20 °C and are 100 %
// at and below 0 °C; they differ where it meets the floor of the class.
type RHCritForm uint8

const (
	// RHCritClamped (default): never under the floor, and the floor itself above
	// 20 °C. It has neither the dip to 79.91 % near 17 °C nor, in the resistant
	// classes, the jump from 80 to 85 % at 20 °C.
	RHCritClamped RHCritForm = iota
	// RHCritBranch: the bare polynomial up to 20 °C, the floor above.
	RHCritBranch
	// RHCritMax: the greater of polynomial and floor at every temperature; up to
	// 0.16 %RH more than the others between 20 and 25.3 °C.
	RHCritMax
	// RHCritASHRAE160: as Branch, but the resistant classes switch at 7 °C, where
	// the polynomial passes 85 %.
	RHCritASHRAE160
)

// K1Form is the growth factor from index 1 on.
type K1Form uint8

const (
	// K1Class (default): the constants of the class (Ojanen et al. 2010).
	K1Class K1Form = iota
	// K1Paper1999: 1 below index 1 and 2/(tv/tm - 1) from there on, tv and tm
	// being the regressions of Hukka and Viitanen (1999). Up to 20 % off Class.
	K1Paper1999
)

// DeclineBoundary says to which side the 6th and the 24th hour without growth
// conditions belong. The two differ by one hour of decline.
type DeclineBoundary uint8

const (
	// DeclineThrough (default): hours 1 to 6 and from 25 on decline.
	DeclineThrough DeclineBoundary = iota
	// DeclineBefore: hours 1 to 5 and from 25 on decline.
	DeclineBefore
)

// MoldOptions names every point on which published forms of the mold index
// differ. [DefaultMoldOptions] is what Underkeep uses.
type MoldOptions struct {
	Class    MoldClass       `json:"class"`
	Decline  float64         `json:"decline"` // material factor on the decline, 0 to 1
	RHCrit   RHCritForm      `json:"rh_crit"`
	K1       K1Form          `json:"k1"`
	Boundary DeclineBoundary `json:"boundary"`
	// Species is W of the 1999 regressions: 0 pine, 1 spruce. Surface is their
	// SQ: 0 resawn after drying, 1 the original kiln-dried surface.
	Species float64 `json:"species"`
	Surface float64 `json:"surface"`
}

// DefaultMoldOptions is Ojanen et al. 2010 for planed framing: class sensitive,
// clamped RHcrit, no species term, and the lowest decline factor in use, 0.1: the
// fast declines were measured on fresh pine, and a joist that grew mold once should
// not look clean after one dry season.
func DefaultMoldOptions() MoldOptions {
	return MoldOptions{Class: Sensitive, Decline: 0.1}
}

// ASHRAE160MoldOptions is the form of ASHRAE Standard 160 since 2016: W is 0 for
// the very sensitive class and 1 for the others, no surface term, decline factor
// 0.1, its own switch points of RHcrit. From memory of the standard, except that
// the polynomial supports the switch points. The standard's limit is index 3; check
// the edition in force for whether 3.0 itself still passes.
func ASHRAE160MoldOptions(class MoldClass) MoldOptions {
	o := MoldOptions{Class: class, Decline: 0.1, RHCrit: RHCritASHRAE160, Species: 1}
	if class == VerySensitive {
		o.Species = 0
	}
	return o
}

// Paper1999MoldOptions is the model of Hukka and Viitanen (1999) for pine
// (species 0) or spruce (1), resawn (surface 0) or original kiln-dried (1), with
// full decline.
func Paper1999MoldOptions(species, surface float64) MoldOptions {
	return MoldOptions{
		Class: VerySensitive, Decline: 1, RHCrit: RHCritClamped, K1: K1Paper1999,
		Species: species, Surface: surface,
	}
}

// classFigures are the constants of a class, Ojanen et al. 2010.
type classFigures struct {
	k1Below, k1From  float64 // growth factor below index 1 and from it on
	a, b, c          float64 // greatest index: a + b x - c x²
	rhMin            float64 // floor of RHcrit, %RH
	ashraeSwitchUpTo float64 // ASHRAE 160: polynomial up to this temperature, °C
}

var moldFigures = [...]classFigures{
	VerySensitive:   {1, 2, 1, 7, 2, 80, 20},
	Sensitive:       {0.578, 0.386, 0.3, 6, 1, 80, 20},
	MediumResistant: {0.072, 0.097, 0, 5, 1.5, 85, 7},
	Resistant:       {0.033, 0.014, 0, 3, 1, 85, 7},
}

// NewMoldModel prepares a model; an unknown class or form, or a factor outside
// its range, is an error.
func NewMoldModel(o MoldOptions) (*MoldModel, error) {
	if o.Class < VerySensitive || o.Class > Resistant {
		return nil, fmt.Errorf("mold model: unknown class %d", o.Class)
	}
	if o.RHCrit > RHCritASHRAE160 || o.K1 > K1Paper1999 || o.Boundary > DeclineBefore {
		return nil, fmt.Errorf("mold model: unknown form in %+v", o)
	}
	for _, f := range []struct {
		what  string
		value float64
	}{{"decline factor", o.Decline}, {"species term", o.Species}, {"surface term", o.Surface}} {
		if err := within(f.what, f.value, 0, 1, ""); err != nil {
			return nil, fmt.Errorf("mold model: %w", err)
		}
	}
	if o.K1 == K1Paper1999 && o.Class != VerySensitive {
		return nil, fmt.Errorf("mold model: the 1999 growth factor exists for wood alone, not for class %s", o.Class)
	}
	return &MoldModel{
		opts:      o,
		fig:       moldFigures[o.Class],
		lnMonth:   66.02 + 0.14*o.Species - 0.33*o.Surface,
		lnVisible: 61.50 + 0.06*o.Species,
		fastHours: fastDeclineHours(o.Boundary),
	}, nil
}

func fastDeclineHours(b DeclineBoundary) float64 {
	if b == DeclineBefore {
		return 5
	}
	return 6
}

// Options are those the model was made with.
func (m *MoldModel) Options() MoldOptions { return m.opts }

// RHCritPct is the RH in %RH at and above which mold grows on a surface at
// tempC; 100 at and below 0 °C, where it never does.
func (m *MoldModel) RHCritPct(tempC float64) float64 {
	if !(tempC > 0) {
		return 100
	}
	poly := 100 + tempC*(-3.13+tempC*(0.160-tempC*0.00267))
	switch m.opts.RHCrit {
	case RHCritMax:
		return math.Max(poly, m.fig.rhMin)
	case RHCritBranch:
		if tempC <= 20 {
			return poly
		}
	case RHCritASHRAE160:
		if tempC <= m.fig.ashraeSwitchUpTo {
			return poly
		}
	default:
		if tempC <= 20 {
			return math.Max(poly, m.fig.rhMin)
		}
	}
	return m.fig.rhMin
}
