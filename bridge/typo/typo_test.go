package typo

import "testing"

func TestNearest(t *testing.T) {
	keys := []string{"port", "protocol", "capacity_kg", "resolution_kg", "role"}
	for word, want := range map[string]string{
		"capcity_kg": "capacity_kg",
		"protcol":    "protocol",
		"prot":       "port",
		"resol":      "resolution_kg",
		"re":         "role",
		"port":       "port",
		"rôle":       "role",
		"":           "",
		"zzzzzz":     "",
		"kg":         "",
	} {
		if got := Nearest(word, keys); got != want {
			t.Errorf("%q: %q, want %q", word, got, want)
		}
	}
	if got := Nearest("x", nil); got != "" {
		t.Errorf("without candidates: %q", got)
	}
}
