package chart

import "testing"

func TestPathLine(t *testing.T) {
	var p Path
	p.Break() // before the first point: nothing
	p.Line(1, 2)
	p.Line(3, 4.26)
	p.Break()
	p.Line(5, 6)
	p.Circle(7, 8, 4)
	p.Line(9, 9)
	if want := "M1.0 2.0h0L3.0 4.3M5.0 6.0h0M7.0 8.0m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0M9.0 9.0h0"; p.String() != want {
		t.Errorf("%s, want %s", p, want)
	}
}

func TestShapes(t *testing.T) {
	for _, c := range []struct {
		name string
		add  func(*Path, float64, float64, float64)
		want string
	}{
		{"circle", (*Path).Circle, "M10.0 20.0m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0"},
		{"square", (*Path).Square, "M10.0 20.0m-4-4h8v8h-8z"},
		{"diamond", (*Path).Diamond, "M10.0 20.0m-4 0l4-4 4 4-4 4z"},
		{"triangle", (*Path).Triangle, "M10.0 20.0m-4 3h8l-4-7z"},
		{"cross", (*Path).Cross, "M10.0 20.0m-4-4l8 8m0-8l-8 8"},
	} {
		var p Path
		if c.add(&p, 10, 20, 4); p.String() != c.want {
			t.Errorf("%s: %s, want %s", c.name, p, c.want)
		}
	}
}
