package robust

import "math"

// Regression is what a linear model learned from samples, and how sure it is.
type Regression struct {
	Theta []float64 // by column
	cov   []float64 // of Theta, row by row
}

// Regress fits y = Σ θ·column, where θ is believed beforehand to be 0 give or
// take prior: a column that y says nothing about keeps that doubt. alike is how
// many samples in a row count as one, since what disturbs one disturbs its
// neighbours. Samples where y isn't finite are left out; the columns are finite
// and at least as long as y. ok is false for fewer samples than columns.
func Regress(columns [][]float64, y, prior []float64, alike float64) (g Regression, ok bool) {
	finite := Finite(y)
	n := float64(len(finite))
	if len(finite) <= len(columns) {
		return g, false
	}
	least := 1e-9 * (math.Abs(finite[0]) + 1e-3)
	v := 0.0
	centre := median(finite)
	for _, f := range finite {
		v += (f - centre) * (f - centre) / n
	}
	sums := sumsOf(columns, y)
	const rounds = 3
	for round := range rounds { // the prior counts for less, the smaller the residuals are
		if g, ok = sums.solve(prior, math.Max(v, least*least)*math.Max(alike, 1), round == rounds-1); !ok {
			return g, false
		}
		if round == rounds-1 {
			break
		}
		v = 0
		for i, f := range y {
			for j, c := range columns {
				f -= g.Theta[j] * c[i]
			}
			if !math.IsNaN(f - f) {
				v += f * f / (n - float64(len(columns)))
			}
		}
	}
	return g, true
}

// sums are Σ c·cᵀ, its lower triangle row by row, and Σ c·y.
type sums struct{ cc, cy []float64 }

func sumsOf(columns [][]float64, y []float64) sums {
	k := len(columns)
	s, row := sums{make([]float64, k*k), make([]float64, k)}, make([]float64, k)
	for i, yi := range y {
		if math.IsNaN(yi - yi) {
			continue
		}
		for p, c := range columns {
			cp := c[i]
			row[p] = cp
			s.cy[p] += cp * yi
			for q, cq := range row[:p+1] {
				s.cc[p*k+q] += cp * cq
			}
		}
	}
	return s
}

// solve is the posterior of a linear model with noise variance v: precision
// Σ c·cᵀ/v + diag(1/prior²), by Cholesky's decomposition; its covariance where wanted.
func (s sums) solve(prior []float64, v float64, covariance bool) (g Regression, ok bool) {
	k := len(prior)
	a, b := make([]float64, k*k), make([]float64, k)
	for p := range k {
		b[p] = s.cy[p] / v
		for q := range p + 1 {
			a[p*k+q] = s.cc[p*k+q] / v
		}
		a[p*k+p] += 1 / (prior[p] * prior[p])
	}
	if !cholesky(a, k) {
		return g, false
	}
	substitute(a, k, b)
	if g.Theta = b; !covariance {
		return g, true
	}
	g.cov = make([]float64, k*k)
	for p := range k {
		unit := g.cov[p*k : (p+1)*k]
		unit[p] = 1
		substitute(a, k, unit)
	}
	return g, true
}

// cholesky overwrites the lower triangle of a symmetric matrix.
func cholesky(a []float64, k int) bool {
	for p := range k {
		for q := range p + 1 {
			sum := a[p*k+q]
			for r := range q {
				sum -= a[p*k+r] * a[q*k+r]
			}
			if p > q {
				a[p*k+q] = sum / a[q*k+q]
			} else if !(sum > 0) {
				return false
			} else {
				a[p*k+p] = math.Sqrt(sum)
			}
		}
	}
	return true
}

// substitute solves L·Lᵀ·x = b in place.
func substitute(l []float64, k int, b []float64) {
	for p := range k {
		for q := range p {
			b[p] -= l[p*k+q] * b[q]
		}
		b[p] /= l[p*k+p]
	}
	for p := k - 1; p >= 0; p-- {
		for q := p + 1; q < k; q++ {
			b[p] -= l[q*k+p] * b[q]
		}
		b[p] /= l[p*k+p]
	}
}

// Doubt is the standard deviation of the model's value for sample i of columns.
func (g Regression) Doubt(columns [][]float64, i int) float64 {
	k, sum := len(g.Theta), 0.0
	for p := range k {
		part := g.cov[p*k+p] * columns[p][i]
		for q := range p {
			part += 2 * g.cov[p*k+q] * columns[q][i]
		}
		sum += part * columns[p][i]
	}
	return math.Sqrt(math.Max(0, sum))
}

// Sure tells how many of its standard deviations θ of a column is from 0.
func (g Regression) Sure(column int) float64 {
	k := len(g.Theta)
	return math.Abs(g.Theta[column]) / math.Sqrt(math.Max(g.cov[column*k+column], 1e-300))
}
