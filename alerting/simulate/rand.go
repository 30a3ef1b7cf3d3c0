package simulate

import "math"

// mix hashes its arguments into 64 well-spread bits (the finaliser of
// splitmix64, Steele, Lea and Flood 2014). Noise that depends only on (seed,
// stream, time) is the same however the steps are cut and in every copy.
func mix(seed, stream, n uint64) uint64 {
	x := seed ^ stream*0x9E3779B97F4A7C15 ^ n*0xD1342543DE82EF95
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x = (x ^ x>>27) * 0x94D049BB133111EB
	x ^= x >> 31
	x = (x + 0x9E3779B97F4A7C15)
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x = (x ^ x>>27) * 0x94D049BB133111EB
	return x ^ x>>31
}

// uniform is in [0, 1).
func uniform(seed, stream, n uint64) float64 {
	return float64(mix(seed, stream, n)>>11) / (1 << 53)
}

// between is uniform in [lo, hi).
func between(seed, stream, n uint64, lo, hi float64) float64 {
	return lo + (hi-lo)*uniform(seed, stream, n)
}

// gauss is a standard normal value, cut to ±3.4 (sum of four 16-bit
// uniforms: cheap, and sensors do not throw outliers by themselves).
func gauss(seed, stream, n uint64) float64 {
	x := mix(seed, stream, n)
	s := float64(x&0xffff) + float64(x>>16&0xffff) + float64(x>>32&0xffff) + float64(x>>48)
	return (s/65536 - 2) * math.Sqrt(3)
}
