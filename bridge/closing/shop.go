package closing

import (
	"slices"
	"sync"

	"bayfill/bridge/config"
	"bayfill/fillcalc"
)

// mostUsual is how many jobs with the same service data say what is usual: the newest ones,
// since a shop's way of working changes.
const mostUsual = 60

// Shop is what the carts of a bridge know together about the jobs of the shop.
type Shop struct {
	mu      sync.Mutex
	jobs    map[string][]Record // the newest that tell what is usual, by service data, the oldest first
	names   map[string]Record   // the newest that was closed, by the job's name
	stock   Stock
	version int
}

// NewShop returns a Shop that knows no job yet.
func NewShop(c *config.Stock) *Shop {
	return &Shop{jobs: map[string][]Record{}, names: map[string]Record{}, stock: NewStock(c)}
}

// Add takes a closing record.
func (s *Shop) Add(r Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.version++
	s.stock.Add(&r)
	if before, named := s.names[r.Job]; r.Phase == fillcalc.Closed && (!named || before.EndedNs < r.EndedNs) {
		s.names[r.Job] = r
	}
	if !r.tells() {
		return
	}
	jobs := s.jobs[r.ServiceData]
	// The carts read their journals one after the other.
	at := len(jobs)
	for at > 0 && jobs[at-1].EndedNs > r.EndedNs {
		at--
	}
	jobs = slices.Insert(jobs, at, r)
	s.jobs[r.ServiceData] = slices.Clone(jobs[max(0, len(jobs)-mostUsual):])
}

// Named returns the newest closed job of a name; ok is false if there is none. One that was
// given up is often begun again under its name.
func (s *Shop) Named(job string) (r Record, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, ok = s.names[job]
	return r, ok
}

// Version rises with each closing record.
func (s *Shop) Version() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.version
}

// Usual returns what is usual with some service data.
func (s *Shop) Usual(serviceData string) Usual {
	s.mu.Lock()
	defer s.mu.Unlock()
	return usualOf(s.jobs[serviceData])
}

// Stock returns the stock as it is now.
func (s *Shop) Stock() Stock {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := Stock{Fluids: slices.Clone(s.stock.Fluids)}
	if s.stock.Waste != nil {
		waste := *s.stock.Waste
		now.Waste = &waste
	}
	return now
}
