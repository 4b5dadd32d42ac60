package raster

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strconv"
	"strings"
)

// sheet is a style sheet: rules in the order in which they count, the last most.
type sheet struct {
	rules []rule
	vars  map[string]string
}

type rule struct {
	root, own []string // classes that the picture and the element must have
	element   string   // or any
	weight    int      // specificity
	props     map[string]string
}

// parse reads the style sheet. What is for other media, such as dark screens,
// is left out.
func parse(css string) (sheet, error) {
	s := sheet{vars: map[string]string{}}
	for {
		from := strings.Index(css, "/*")
		if from < 0 {
			break
		}
		to := strings.Index(css[from:], "*/")
		if to < 0 {
			return s, fmt.Errorf("a comment has no end")
		}
		css = css[:from] + css[from+to+2:]
	}
	for strings.TrimSpace(css) != "" {
		head, rest, ok := strings.Cut(css, "{")
		if !ok {
			return s, fmt.Errorf("%.40q has no block", strings.TrimSpace(css))
		}
		end, depth := -1, 1
		for i, r := range rest {
			if r == '{' {
				depth++
			} else if r == '}' {
				if depth--; depth == 0 {
					end = i
					break
				}
			}
		}
		if end < 0 {
			return s, fmt.Errorf("the block of %.40q has no end", strings.TrimSpace(head))
		}
		body := rest[:end]
		css = rest[end+1:]
		if strings.HasPrefix(strings.TrimSpace(head), "@") {
			continue
		}
		props := map[string]string{}
		for decl := range strings.SplitSeq(body, ";") {
			if key, value, ok := strings.Cut(decl, ":"); ok {
				key, value = strings.TrimSpace(key), strings.TrimSpace(value)
				props[key] = value
				if strings.HasPrefix(key, "--") {
					s.vars[key] = value
				}
			}
		}
		for selector := range strings.SplitSeq(head, ",") {
			s.rules = append(s.rules, ruleOf(strings.Fields(selector), props))
		}
	}
	slices.SortStableFunc(s.rules, func(a, b rule) int { return cmp.Compare(a.weight, b.weight) })
	return s, nil
}

// ruleOf reads a selector: that of the picture, and mostly one of an element in it.
func ruleOf(parts []string, props map[string]string) rule {
	r := rule{props: props}
	for i, part := range parts {
		words := strings.Split(part, ".")
		if words[0] != "" {
			r.weight++
		}
		r.weight += 10 * (len(words) - 1)
		if i == 0 {
			r.root = words[1:]
		}
		if i == len(parts)-1 && i > 0 {
			r.element, r.own = words[0], words[1:]
		}
	}
	return r
}

func all(want, have []string) bool {
	return !slices.ContainsFunc(want, func(w string) bool { return !slices.Contains(have, w) })
}

// style is what the sheet says of an element; its own attributes count less.
func (s sheet) style(root []string, element string, a attrs) map[string]string {
	out := map[string]string{}
	for _, key := range []string{"fill", "stroke", "stroke-width"} {
		if v, ok := a[key]; ok {
			out[key] = v
		}
	}
	own := a.classes()
	for _, r := range s.rules {
		if len(r.own)+len(r.element) > 0 && all(r.root, root) && all(r.own, own) && (r.element == "" || r.element == element) {
			for k, v := range r.props {
				out[k] = v
			}
		}
	}
	return out
}

func (s sheet) variable(name string) color.NRGBA { c, _ := s.color(s.vars[name]); return c }

// color reads #rrggbb, oklch(L C H) and var(--…); ok is false for none.
func (s sheet) color(v string) (color.NRGBA, bool) {
	for range 4 { // variables that name variables
		name, isVar := strings.CutPrefix(v, "var(")
		if !isVar {
			break
		}
		v = s.vars[strings.TrimSuffix(name, ")")]
	}
	if hex, ok := strings.CutPrefix(v, "#"); ok && len(hex) == 6 {
		n, err := strconv.ParseUint(hex, 16, 32)
		return color.NRGBA{uint8(n >> 16), uint8(n >> 8), uint8(n), 255}, err == nil //nolint:gosec // its three bytes
	}
	if list, ok := strings.CutPrefix(v, "oklch("); ok {
		if n := numbers(strings.TrimSuffix(list, ")")); len(n) == 3 {
			return oklch(n[0], n[1], n[2]), true
		}
	}
	return color.NRGBA{}, false
}

// oklch is a colour as CSS Color 4 defines it (section 9.4; the matrices are
// those of its sample code), cut to what sRGB can show.
func oklch(l, c, h float64) color.NRGBA {
	a, b := c*math.Cos(h*math.Pi/180), c*math.Sin(h*math.Pi/180)
	cube := func(x float64) float64 { return x * x * x }
	lo := cube(l + 0.3963377774*a + 0.2158037573*b)
	me := cube(l - 0.1055613458*a - 0.0638541728*b)
	sh := cube(l - 0.0894841775*a - 1.2914855480*b)
	gamma := func(x float64) uint8 {
		if x <= 0.0031308 {
			x *= 12.92
		} else {
			x = 1.055*math.Pow(x, 1/2.4) - 0.055
		}
		return uint8(math.Round(255 * min(1, max(0, x))))
	}
	return color.NRGBA{
		gamma(4.0767416621*lo - 3.3077115913*me + 0.2309699292*sh),
		gamma(-1.2684380046*lo + 2.6097574011*me - 0.3413193965*sh),
		gamma(-0.0041960863*lo - 0.7034186147*me + 1.7076147010*sh),
		255,
	}
}
