package water

// MotorLimit is a thermal starting limit of a motor: not a healthy rate, but what
// must not be exceeded.
type MotorLimit struct {
	StartsPerHour float64
	MinOffSeconds float64 // at least this long between stop and start
}

type motorKey struct {
	hp    float64
	poles int
}

// nemaMG10 is NEMA MG 10 Table 2-3, columns A and C, polyphase Design A and B.
var nemaMG10 = map[motorKey]MotorLimit{
	{1, 2}: {15, 75}, {1, 4}: {30, 38}, {1, 6}: {34, 33},
	{1.5, 2}: {12.9, 76}, {1.5, 4}: {25.7, 38}, {1.5, 6}: {29.1, 34},
	{2, 2}: {11.5, 77}, {2, 4}: {23, 39}, {2, 6}: {26.1, 35},
	{3, 2}: {9.9, 80}, {3, 4}: {19.8, 40}, {3, 6}: {22.4, 36},
	{5, 2}: {8.1, 83}, {5, 4}: {16.3, 42}, {5, 6}: {18.4, 37},
}

// PolyphaseMotorLimit looks a polyphase motor up in NEMA MG 10 Table 2-3 (1, 1.5, 2,
// 3 or 5 hp; 2, 4 or 6 poles). It is false for everything else, above all for the
// single-phase motors of 1/3 to 3/4 hp in residential sump pumps: that table does not
// cover them, and no published starts table for them was found.
func PolyphaseMotorLimit(hp float64, poles int) (MotorLimit, bool) {
	l, ok := nemaMG10[motorKey{hp, poles}]
	return l, ok
}
