package closing

import (
	"cmp"
	"slices"
	"time"
)

// Period is how an account is divided.
type Period string

const (
	ByDay   Period = "day"
	ByMonth Period = "month"
)

// Used is a row of an account: what the jobs of one cart with one fluid have used and
// collected in one period.
type Used struct {
	Period string  `json:"period"` // as in 2026-01-31 or 2026-01
	Shop   string  `json:"shop"`
	Cart   string  `json:"cart"`
	Fluid  string  `json:"fluid"`
	Jobs   int     `json:"jobs"`
	FreshL float64 `json:"fresh_l"`
	WasteL float64 `json:"used_oil_l"`
}

// Account sums closing records by period, cart and fluid, in this order. Days begin at
// midnight in a time zone. A job counts where it ended.
func Account(records []Record, by Period, zone *time.Location) []Used {
	layout := time.DateOnly
	if by == ByMonth {
		layout = "2006-01"
	}
	type key struct{ period, shop, cart, fluid string }
	sums := map[key]*Used{}
	for i := range records {
		r := &records[i]
		k := key{time.Unix(0, r.EndedNs).In(zone).Format(layout), r.Shop, r.Cart, r.Fluid}
		row := sums[k]
		if row == nil {
			row = &Used{Period: k.period, Shop: k.shop, Cart: k.cart, Fluid: k.fluid}
			sums[k] = row
		}
		row.Jobs++
		row.FreshL += r.FreshL()
		row.WasteL += r.WasteL()
	}
	list := make([]Used, 0, len(sums))
	for _, row := range sums {
		list = append(list, *row)
	}
	slices.SortFunc(list, func(a, b Used) int {
		return cmp.Or(cmp.Compare(a.Period, b.Period), cmp.Compare(a.Shop, b.Shop), cmp.Compare(a.Cart, b.Cart), cmp.Compare(a.Fluid, b.Fluid))
	})
	return list
}
