package board

import (
	"bytes"
	"runtime"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
)

// A day of updates, five a second with pauses of a second, leaves nothing in memory,
// neither in the hub nor for a page that is open all the time.
func TestDayOfUpdatesLeavesNothing(t *testing.T) {
	bridgetest.Slow(t)
	updates := 24 * 60 * 60 * 5
	if testing.Short() {
		updates /= 10
	}
	b, server := serve(t, Config{Shop: "hilltop", MayCommand: true})
	page := follow(t, server.URL+"/events/bay2")
	bridgetest.Eventually(t, 5*time.Second, "the page", func() bool { return page.piece("bar") != "" })
	now := noon
	b.hub.linked(true, "", now)
	b.hub.receive(bay2+"presence", []byte(online("a", now)), false, now)
	// Two messages of each leaf are enough, because the differences are not kept.
	leaves := []struct {
		topic   string
		payload [2][]byte
	}{
		{bay2 + "volumes", [2][]byte{[]byte(volumes("filling", 4.2, 2.1, 1.2)), []byte(volumes("filling", 4.2, 2.2, 1.1))}},
		{bay2 + "window", [2][]byte{[]byte(windowAt("below", 28, "100", "null")), []byte(windowAt("below", 29, "90", "null"))}},
		{bay2 + "alerts", [2][]byte{[]byte(`{"alerts":[]}`), []byte(`{"alerts":[{"kind":"a","text":"b"}]}`)}},
	}
	used := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var before uint64
	goroutines := 0
	for i := range updates {
		now = now.Add(200 * time.Millisecond)
		leaf := leaves[i%len(leaves)]
		b.hub.receive(leaf.topic, leaf.payload[i/3%2], false, now)
		if i%1000 == 0 {
			v, _ := b.hub.look(words.Plain, "bay2", true, now)
			if err := pages().ExecuteTemplate(new(bytes.Buffer), "stage", v); err != nil {
				t.Fatal(err)
			}
		}
		if i == updates/10 { // caches are warm
			before, goroutines = used(), runtime.NumGoroutine()
		}
	}
	after := used()
	t.Logf("%d updates: heap %d kB after a tenth, %d kB at the end", updates, before>>10, after>>10)
	if after > before+1<<20 {
		t.Errorf("the heap grew from %d to %d bytes", before, after)
	}
	if n := runtime.NumGoroutine(); n > goroutines {
		t.Errorf("%d goroutines, %d before", n, goroutines)
	}
	page.mu.Lock()
	defer page.mu.Unlock()
	if page.events < 10 {
		t.Errorf("the page got %d events: nobody watched", page.events)
	}
}

// The memory that a broker full of nonsense can fill is bounded.
func TestNonsenseIsBounded(t *testing.T) {
	h := newHub(false, noon)
	for i := range 6000 {
		name := string([]byte{'a' + byte(i%26), 'a' + byte(i/26%26), 'a' + byte(i/676)})
		h.receive("bayfill/"+name+"/"+name+"/volumes", []byte(volumes("filling", 1, 1, 1)), true, noon)
	}
	h.receive("bayfill/hill top/bay2/volumes", []byte(`{}`), true, noon)
	h.receive("bayfill/a/b/c/volumes", []byte(`{}`), true, noon)
	if n := len(h.carts); n != maxCarts {
		t.Errorf("%d carts, at most %d", n, maxCarts)
	}
	// A cart that is deleted at the broker disappears from the board.
	h.receive("bayfill/aaa/aaa/presence", nil, false, noon)
	if n := len(h.carts); n != maxCarts-1 {
		t.Errorf("%d carts after one was removed", n)
	}
	h.receive("bayfill/hilltop/bay2/job", make([]byte, maxMessageBytes+1), true, noon)
	if v, changed := h.look(words.Plain, "hilltop/bay2", false, noon); changed != nil || v.Standing == "LIVE" {
		t.Error("a message of any length is read")
	}
}
