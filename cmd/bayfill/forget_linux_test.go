package main

import (
	"reflect"
	"strings"
	"testing"
)

func TestUnchangedMappings(t *testing.T) {
	const smaps = `00400000-00ff9000 r-xp 00000000 fe:00 99        /opt/a b/bayfill
Rss:               10560 kB
Anonymous:             0 kB
00ff9000-01c73000 r--p 00bf9000 fe:00 99        /opt/a b/bayfill
Rss:               10408 kB
Anonymous:             0 kB
01c73000-01c83000 r--p 01873000 fe:00 99        /opt/a b/bayfill
Rss:                  64 kB
Anonymous:            64 kB
01c83000-01d06000 rw-p 01883000 fe:00 99        /opt/a b/bayfill
Rss:                   0 kB
Anonymous:             0 kB
7f0000000000-7f0000100000 r-xp 00000000 fe:00 98        /lib/other.so
Anonymous:             0 kB
7f0000200000-7f0000300000 r--p 00000000 00:00 0
Anonymous:             0 kB
ffffffffff600000-ffffffffff601000 --xp 00000000 00:00 0        [vsyscall]
Anonymous:             0 kB
`
	got, err := unchangedMappings(strings.NewReader(smaps), "/opt/a b/bayfill")
	if want := []mapping{{0x400000, 0xff9000}, {0xff9000, 0x1c73000}}; err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%x, %v; want %x", got, err, want)
	}
	if got, err := unchangedMappings(strings.NewReader("no such form\n\n"), ""); len(got) != 0 || err != nil {
		t.Errorf("%x, %v", got, err)
	}
}

// TestForgetStart: the program goes on afterwards, and may do it again.
func TestForgetStart(t *testing.T) {
	for range 2 {
		if err := forgetStart(); err != nil {
			t.Fatal(err)
		}
		if status, out, errors := program(t.Context(), "version"); status != 0 || out == "" {
			t.Fatalf("status %d: %s", status, errors)
		}
	}
}
