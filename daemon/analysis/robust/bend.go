package robust

import "math"

// Bend is the sample at which one line through the samples goes over into
// another, by least squares over up to 256 medians of equally many samples.
// ok is false for too few samples.
func Bend(v []float64) (at int, ok bool) {
	const most, ends = 256, 3
	size := max(1, (len(v)+most-1)/most)
	var x, y []float64
	for i := 0; i < len(v); i += size {
		end := min(i+size, len(v))
		if m := Median(v[i:end]); !math.IsNaN(m) {
			x, y = append(x, float64(i+end-1)/2), append(y, m)
		}
	}
	if len(x) < 2*ends+1 {
		return 0, false
	}
	best, where := math.Inf(1), 0.0
	for b := ends; b < len(x)-ends; b++ {
		if sse := hinge(x, y, x[b]); sse < best {
			best, where = sse, x[b]
		}
	}
	return int(where), true
}

// hinge is the squared error of the best y = a + b·x + c·max(0, x−at).
func hinge(x, y []float64, at float64) float64 {
	var m [3][4]float64
	span := x[len(x)-1] - x[0]
	row := func(x float64) [3]float64 { return [3]float64{1, (x - at) / span, math.Max(0, x-at) / span} }
	for i := range x {
		f := row(x[i])
		for r := range 3 {
			for c := range 3 {
				m[r][c] += f[r] * f[c]
			}
			m[r][3] += f[r] * (y[i] - y[0])
		}
	}
	for p := range 3 { // Gauss; the matrix is symmetric and positive definite
		if m[p][p] == 0 {
			return math.Inf(1)
		}
		for r := range 3 {
			if r == p {
				continue
			}
			f := m[r][p] / m[p][p]
			for c := p; c < 4; c++ {
				m[r][c] -= f * m[p][c]
			}
		}
	}
	sse := 0.0
	for i := range x {
		f := row(x[i])
		d := y[i] - y[0]
		for r := range 3 {
			d -= f[r] * m[r][3] / m[r][r]
		}
		sse += d * d
	}
	return sse
}
