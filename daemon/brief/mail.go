package brief

import (
	"fmt"
	"html"
	"regexp"
	"strings"

	"faultkeep/daemon/report"
	"faultkeep/daemon/report/raster"
)

var (
	drawn = regexp.MustCompile(`(?s)<svg [^>]*>.*?</svg>`) // the small pictures hold no others
	named = regexp.MustCompile(`(?s)<title[^>]*>(.*?)</title>`)
)

// ForMail is the page as mail programs show it: most drop SVG but leave its
// texts, so that pictures become PNG and are named by cid: addresses. One that
// can't be drawn is left out.
func ForMail(page string) (mail string, pictures map[string][]byte) {
	pictures = map[string][]byte{}
	return drawn.ReplaceAllStringFunc(page, func(svg string) string {
		png, err := raster.PNG([]byte(svg), report.CSS, 2)
		if err != nil {
			return ""
		}
		id := fmt.Sprintf("picture-%d", len(pictures)+1)
		pictures[id] = png
		alt := ""
		if m := named.FindStringSubmatch(svg); m != nil {
			alt = html.UnescapeString(m[1])
		}
		return fmt.Sprintf(`<img src="cid:%s" width="%d" height="%d" alt="%s">`, id, pictureWidth, pictureHeight, html.EscapeString(alt))
	}), pictures
}

// Subject is the headline as a mail's subject: no more than a phone shows of it.
func Subject(site, headline string) string {
	first, rest, more := strings.Cut(headline, ". ")
	if !more || len([]rune(first)) > 90 {
		first, rest = headline, ""
	}
	if rest != "" {
		first += "."
	}
	if r := []rune(first); len(r) > 120 {
		first = string(r[:119]) + "…"
	}
	if site != "" {
		return site + ": " + first
	}
	return first
}
