package board

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// enough is the contrast that WCAG 2.2, success criterion 1.4.6 (level AAA), requires.
const enough = 7.0

// luminance returns the relative luminance of a colour like #15191d (WCAG 2.2).
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(colour, "#"), 16, 32)
	if err != nil || len(colour) != 7 {
		t.Fatalf("%q is not a colour like #15191d", colour)
	}
	l := 0.0
	for i, weight := range []float64{0.0722, 0.7152, 0.2126} {
		c := float64(n>>(8*i)&0xff) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		l += weight * c
	}
	return l
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// Every rule of the style sheet that sets a text colour also sets the background, and the
// contrast of the two is high enough. So is the contrast of text and important shapes in
// pictures on the page's background.
func TestContrast(t *testing.T) {
	if c := contrast(t, "#ffffff", "#000000"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white has the contrast 21, not %g", c)
	}
	text, err := pageFiles.ReadFile("page/board.css")
	if err != nil {
		t.Fatal(err)
	}
	css := regexp.MustCompile(`(?s)/\*.*?\*/`).ReplaceAllString(string(text), "")
	_, css, _ = strings.Cut(css, ":root {")
	root, rules, _ := strings.Cut(css, "}")
	colours := map[string]string{}
	for _, m := range regexp.MustCompile(`(--[a-z]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(root, -1) {
		colours[m[1]] = m[2]
	}
	if bare := regexp.MustCompile(`#[0-9a-f]{3,8}\b|\b(rgb|hsl)a?\(`).FindString(regexp.MustCompile(`#[a-z]+[^{};]*\{`).ReplaceAllString(rules, "{")); bare != "" {
		t.Errorf("%s: colours belong into :root", bare)
	}
	colour := func(rule, property string) string {
		if m := regexp.MustCompile(`(?:^|[;\s])` + property + `: var\((--[a-z]+)\)`).FindStringSubmatch(rule); m != nil {
			return colours[m[1]]
		}
		return ""
	}
	pairs := 0
	check := func(selector, front, ground string) {
		pairs++
		if c := contrast(t, front, ground); c < enough {
			t.Errorf("%s: contrast %.1f of %s on %s, want %g", selector, c, front, ground, enough)
		}
	}
	for _, m := range regexp.MustCompile(`([^{}]+)\{([^{}]*)\}`).FindAllStringSubmatch(rules, -1) {
		selector, rule := strings.TrimSpace(m[1]), m[2]
		front, ground := colour(rule, "color"), colour(rule, "background")
		switch {
		case front != "" && ground != "":
			check(selector, front, ground)
		case front != "" || ground != "":
			t.Errorf("%s sets a colour without its ground, or a ground without its colour", selector)
		}
		for _, property := range []string{"fill", "stroke"} {
			quiet := selector == ".tick" || selector == ".tube" || selector == ".used-stripe" // decoration
			if front := colour(rule, property); front != "" && !quiet {
				check(selector, front, colours["--paper"])
			}
		}
	}
	t.Logf("%d pairs of colours", pairs)
	if pairs < 25 {
		t.Errorf("only %d pairs of colours found: has the style sheet another shape?", pairs)
	}
}
