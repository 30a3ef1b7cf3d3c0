package air

import "testing"

// sink keeps the compiler from dropping what is measured.
var sink float64

func BenchmarkDewPoint(b *testing.B) {
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		sink = FastDewPointC(15+float64(i&15), 40+float64(i&31))
	}
}
