package robust

import "math"

// Regression is what a linear model learned from samples, and how sure it is.
type Regression struct {
	Theta []float64 // by column
	cov   []float64 // of Theta, row by row
}

// Regress fits y = Σ θ·column, where θ is believed beforehand to be 0 give or
// take prior: a column that y says nothing about keeps that doubt. Samples far
// off count less (Huber's weights, 1964), and the doubt allows for residuals
// that resemble their neighbours: the variance of a mean of a first-order
// process is (1+ρ)/(1−ρ) times that of independent samples. Samples where y
// isn't finite are left out; the columns are finite and as long as y. ok is
// false for fewer samples than columns.
func Regress(columns [][]float64, y, prior []float64, alike float64) (g Regression, ok bool) {
	k := len(columns)
	finite := Finite(y)
	if len(finite) <= k {
		return g, false
	}
	scale := mad(finite, median(finite))
	least := math.Max(1e-9*math.Abs(finite[0]), 1e-12)
	weight, residual := make([]float64, len(y)), make([]float64, len(y))
	for i := range weight {
		weight[i] = 1
	}
	for range 4 {
		v := math.Max(scale*scale, least*least) * math.Max(alike, 1)
		if g, ok = solve(columns, y, weight, prior, v); !ok {
			return g, false
		}
		for i := range y {
			residual[i] = y[i]
			for j, c := range columns {
				residual[i] -= g.Theta[j] * c[i]
			}
		}
		scale = math.Max(MAD(residual), least)
		for i, e := range residual {
			weight[i] = math.Min(1, 2*scale/math.Max(math.Abs(e), 1e-300))
		}
	}
	return g, true
}

// solve is the posterior of a linear model with noise variance v: precision
// ΣΣ w·c·cᵀ/v + diag(1/prior²), by Cholesky's decomposition.
func solve(columns [][]float64, y, weight, prior []float64, v float64) (g Regression, ok bool) {
	k := len(columns)
	a, b := make([]float64, k*k), make([]float64, k)
	for i, yi := range y {
		if math.IsNaN(yi - yi) {
			continue
		}
		w := weight[i] / v
		for p := range k {
			cp := w * columns[p][i]
			b[p] += cp * yi
			for q := range p + 1 {
				a[p*k+q] += cp * columns[q][i]
			}
		}
	}
	for p := range k {
		a[p*k+p] += 1 / (prior[p] * prior[p])
	}
	if !cholesky(a, k) {
		return g, false
	}
	g.Theta, g.cov = b, make([]float64, k*k)
	substitute(a, k, b)
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
