package anatomy

import "math"

// columns are orthonormal, and so tell what a model explains of a vector (modified
// Gram-Schmidt, twice for the sake of rounding).
type columns [][]float64

// add takes a further column of the model, which it writes over, unless the
// others say the same.
func (q *columns) add(c []float64) {
	if !q.clear(c) {
		return
	}
	size := math.Sqrt(dot(c, c))
	for i := range c {
		c[i] /= size
	}
	*q = append(*q, c)
}

// clear takes from c what the columns explain; false where hardly anything is left.
func (q columns) clear(c []float64) bool {
	size := dot(c, c)
	for range 2 {
		for _, p := range q {
			k := dot(p, c)
			for i, v := range p {
				c[i] -= k * v
			}
		}
	}
	return dot(c, c) > 1e-8*size
}

func dot(a, b []float64) (s float64) {
	for i, v := range a {
		s += v * b[i]
	}
	return s
}
