package likeness

import (
	"math"
	"slices"
)

const (
	shifts = 1   // bins by which pictures may be shifted against each other
	fewest = 4   // bins before the trigger that both must have
	ground = 70  // of a cell that all pictures share, so that two in which nothing moved are alike
	agree  = 0.6 // share of what pictures are unlike that counts where the same cause stands out in both, and of what they are alike where another does (common practice, no source)
)

// Alike is the likeness of two pictures, from 0 to 1: the cosine between them
// at the best small shift, over the rows and the time that both have, less where
// the setpoint made the deviation in only one of them, and nearer to 1 where the
// same cause stands out in both, to 0 where another does. 0 where they can't be
// compared. Alike(a, b) is Alike(b, a), and Alike(a, a) is 1.
func Alike(a, b Print) float64 { return a.ready().alike(b) }

// ready is a print that is compared with many.
type ready struct {
	Print
	sums [bins + 1]int64
}

func (p Print) ready() ready {
	if !p.usable() {
		return ready{}
	}
	return ready{p, energies(p.Cells, len(p.Rows))}
}

func (a ready) alike(b Print) float64 {
	if !a.usable() || !b.usable() || a.Version != b.Version {
		return 0
	}
	rows, ea := len(a.Rows), a.sums
	if !slices.Equal(a.Rows, b.Rows) {
		if a.Cells, b.Cells, rows = common(a.Print, b); rows == 0 {
			return 0
		}
		ea = energies(a.Cells, rows)
	}
	best := 0.0
	eb := energies(b.Cells, rows)
	for s := -shifts; s <= shifts; s++ {
		from, to := max(a.From, b.From+s), min(a.To, b.To+s)
		if before-from < fewest || before-(from-s) < fewest || to <= from {
			continue
		}
		dot := ground*ground + product(a.Cells[from*rows:to*rows], b.Cells[(from-s)*rows:(to-s)*rows])
		na, nb := ground*ground+ea[to]-ea[from], ground*ground+eb[to-s]-eb[from-s]
		best = math.Max(best, float64(dot)/math.Sqrt(float64(na)*float64(nb)))
	}
	like := math.Min(best, 1) * (1 - math.Abs(a.Asked-b.Asked))
	switch {
	case a.Cause == "" || b.Cause == "":
		return like
	case a.Cause == b.Cause:
		return 1 - agree*(1-like)
	}
	return agree * like
}

// usable tells whether there is a picture, and whole: a stored one may be
// damaged or of another version.
func (p Print) usable() bool {
	return p.Why == "" && len(p.Rows) > 0 && len(p.Rows) <= mostRows && len(p.Cells) == bins*len(p.Rows) &&
		p.From >= 0 && p.From < p.To && p.To <= bins && p.Asked >= 0 && p.Asked <= 1
}

// energies are the sums of squares of all bins before each.
func energies(cells []byte, rows int) (sums [bins + 1]int64) {
	for b := range bins {
		part := cells[b*rows : (b+1)*rows]
		sums[b+1] = sums[b] + product(part, part)
	}
	return sums
}

// product is the scalar product of cells. It fits an int32: there are at most
// 1,600 of them.
func product(a, b []byte) int64 {
	var s0, s1, s2, s3 int32
	for len(a) >= 4 && len(b) >= 4 { // four sums at a time: they don't wait for each other
		s0 += int32(int8(a[0])) * int32(int8(b[0]))
		s1 += int32(int8(a[1])) * int32(int8(b[1]))
		s2 += int32(int8(a[2])) * int32(int8(b[2]))
		s3 += int32(int8(a[3])) * int32(int8(b[3]))
		a, b = a[4:], b[4:]
	}
	for i := range min(len(a), len(b)) {
		s0 += int32(int8(a[i])) * int32(int8(b[i]))
	}
	return int64(s0 + s1 + s2 + s3)
}

// common are the cells of the rows that both have.
func common(a, b Print) (ca, cb []byte, rows int) {
	var ia, ib []int
	for i, j := 0, 0; i < len(a.Rows) && j < len(b.Rows); {
		switch {
		case a.Rows[i] < b.Rows[j]:
			i++
		case a.Rows[i] > b.Rows[j]:
			j++
		default:
			ia, ib = append(ia, i), append(ib, j)
			i, j = i+1, j+1
		}
	}
	pick := func(p Print, rows []int) (out []byte) {
		for b := range bins {
			for _, k := range rows {
				out = append(out, p.Cells[b*len(p.Rows)+k])
			}
		}
		return out
	}
	return pick(a, ia), pick(b, ib), len(ia)
}
