package audit

import (
	"cmp"
	"flag"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"slices"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/words"
)

// BenchmarkFleet charts the jobs of a year on four carts from a real InfluxDB, and writes
// the page and the table. Peak is the largest heap, minus the heap at the start.
func BenchmarkFleet(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(10))
	heap := func() int64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	for _, jobs := range []int{1250, 2500, 5000} {
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			db := bridgetest.StartInflux(b)
			db.Write(linesOf(inventedFleet(jobs, 4, 365*24*time.Hour)))
			s := storeOf(b, db)
			q := FleetQuery{SinceNs: fleetEnd.Add(-366 * 24 * time.Hour).UnixNano(), UntilNs: fleetEnd.UnixNano()}
			runtime.GC()
			before, peak := heap(), int64(0)
			stop, stopped := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(stopped)
				for {
					select {
					case <-stop:
						return
					case <-time.After(2 * time.Millisecond):
						peak = max(peak, heap()-before)
					}
				}
			}()
			charting := time.Duration(0)
			for b.Loop() {
				start := time.Now()
				f, err := s.Fleet(b.Context(), q)
				if err == nil {
					err = f.WriteHTML(io.Discard, words.Plain)
				}
				charting += time.Since(start)
				if err == nil {
					err = s.WriteFleetCSV(b.Context(), q, io.Discard)
				}
				if err != nil {
					b.Fatal(err)
				}
				charted := int64(0)
				for _, c := range f.Carts {
					charted += c.Closed
				}
				if charted != int64(jobs) {
					b.Fatalf("%d jobs of %d", charted, jobs)
				}
			}
			close(stop)
			<-stopped
			b.ReportMetric(charting.Seconds()/float64(b.N), "s/charts")
			b.ReportMetric(float64(peak)/(1<<20), "MiB-peak")
		})
	}
}

var (
	fleetJobs  = flag.Int("fleet-jobs", 400, "how many jobs TestFleetOfAChain charts")
	fleetShops = flag.Int("fleet-shops", 10, "how many shops they are of, with five carts each")
)

// The jobs of a chain are counted by shop and over all, and what is kept in memory is
// bounded, however many they are.
func TestFleetOfAChain(t *testing.T) {
	db := bridgetest.StartInflux(t)
	jobs := inventedFleet(*fleetJobs, 5**fleetShops, inventedTime)
	for i := range jobs {
		jobs[i].shop, jobs[i].cart = fmt.Sprintf("shop%03d", i%*fleetShops), fmt.Sprintf("bay%d", i / *fleetShops % 5 + 1)
	}
	for part := range slices.Chunk(jobs, 3000) {
		db.Write(linesOf(part))
	}
	n := len(jobs)
	jobs = nil
	s := storeOf(t, db)
	q := FleetQuery{SinceNs: fleetEnd.Add(-91 * 24 * time.Hour).UnixNano(), UntilNs: fleetEnd.UnixNano()}
	runtime.GC()
	before, began := heapBytes(), time.Now()
	f, err := s.Fleet(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	runtime.GC()
	kept := 0
	for _, g := range slices.Concat(f.Carts, f.Shops) {
		kept += len(g.Balance.Points)
	}
	t.Logf("%d jobs in %v: %d points charted, %.1f MB kept", n, took, kept, float64(heapBytes()-before)/1e6)
	if len(f.Shops) != *fleetShops || len(f.Carts) != 5**fleetShops || f.All.Jobs != int64(n) || f.Newest != newestOf(5**fleetShops) || kept > 2*maxPoints+newestJobs**fleetShops {
		t.Errorf("%d shops, %d carts, %d jobs, %d newest, %d points", len(f.Shops), len(f.Carts), f.All.Jobs, f.Newest, kept)
	}
	sum := int64(0)
	for _, g := range f.Shops {
		if sum += g.Closed; !slices.IsSortedFunc(g.Balance.Points, func(a, b FleetPoint) int { return cmp.Compare(a.AtNs, b.AtNs) }) {
			t.Errorf("%s is not in order", g.Shop)
		}
	}
	if sum != f.All.Closed || f.All.Name() != "" {
		t.Errorf("%d closed jobs in shops, %d in all", sum, f.All.Closed)
	}
}

func heapBytes() int64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
