package cart

import (
	"context"
	"time"

	"bayfill/bridge/closing"
	"bayfill/bridge/config"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// What a cart knows of its shop: the service data in the shop's folder, and the closing
// records of all carts of this bridge.

// lookEvery is how often a cart looks for new service data and for jobs that other carts
// have closed.
const lookEvery = 10 * time.Second

// seen says which state of the shop a cart has taken into account.
type seen struct {
	files string // of config.ServiceDataStamp
	jobs  int    // of closing.Shop
}

// lookAtShop returns the present state of the shop.
func (c *Cart) lookAtShop() seen {
	return seen{config.ServiceDataStamp(c.serviceData), c.shop.Version()}
}

// runShop reports to the loop whenever something in the shop has changed, until ctx ends.
// The files are not read in the loop, because a slow disk must not delay readings.
func (c *Cart) runShop(ctx context.Context, last seen) {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
		now := c.lookAtShop()
		if now == last {
			continue
		}
		select {
		case c.inbox <- report{serviceData: c.readServiceData()}:
			last = now
			c.fill()
		case <-ctx.Done():
			return
		}
	}
}

// readServiceData returns the good files of the folder, never nil. The commands check and
// service-data name the bad ones.
func (c *Cart) readServiceData() map[string]config.ServiceData {
	good := map[string]config.ServiceData{}
	if c.serviceData != "" {
		if read, _ := config.ReadServiceData(c.serviceData, c.fluids); read != nil {
			good = read
		}
	}
	return good
}

// handleShop takes the state of the shop into account.
func (c *Cart) handleShop(data map[string]config.ServiceData) {
	c.choices.data = data
	c.publishChoices()
	c.watchStock()
}

// addClosings gives the shop the closing records that the journal holds. Without them the
// cart runs: only stock and experience are less than they might be.
func (c *Cart) addClosings(ctx context.Context) {
	list, err := c.journal.Closings(ctx)
	if err != nil {
		c.log.Warn("stock and what is usual are computed without the jobs of this cart", "error", err)
		return
	}
	for i := range list {
		c.shop.Add(closing.Of(c.shopName, c.config.Name, &list[i]))
	}
	if n := len(list); n > 0 {
		c.record = c.recordOf(&list[n-1])
	}
}

// recordOf is the message of the leaf record.
func (c *Cart) recordOf(p *points.Point) wire.Record {
	job, _ := p.Fields["job"].(string)
	return wire.Record{Job: job, Line: p.Line(c.shopName, c.config.Name)}
}

// publishRecord publishes the newest closing record.
func (c *Cart) publishRecord() { c.link.set(wire.RecordLeaf, wire.Encode(c.record)) }

// addClosing gives the shop the closing record of the job that has just ended.
func (c *Cart) addClosing(p *points.Published) {
	fields, err := points.ParseFields(p.Fields)
	if err != nil {
		panic("cart: closing record cannot be read back: " + err.Error()) // package points wrote it
	}
	record := &points.Point{Measurement: p.Measurement, AtNs: c.state.NowNs, Fields: fields}
	c.shop.Add(closing.Of(c.shopName, c.config.Name, record))
	c.record = c.recordOf(record)
	c.publishRecord()
	c.watchStock()
	select {
	case c.ended <- struct{}{}:
	default: // one signal is waiting already, or nobody copies
	}
}

// watchStock raises the alerts about the shop's stock and its container for used oil.
func (c *Cart) watchStock() {
	stock := c.shop.Stock()
	for i := range stock.Fluids {
		f := &stock.Fluids[i]
		a := wire.Alert{Kind: string(wire.AlertStockLow) + ":" + f.Fluid, Code: wire.AlertStockLow}
		if f.Low() {
			a.Said = wire.Say(fillcalc.Text{Key: "alert.stock_low", Figures: map[string]float64{"left_l": max(0, f.LeftL), "low_l": f.LowL}, Names: map[string]string{"fluid": f.Fluid}})
		}
		c.alert(a)
	}
	if w := stock.Waste; w != nil {
		a := wire.Alert{Code: wire.AlertWasteFull}
		if w.Full() {
			a.Said = wire.Say(fillcalc.Text{Key: "alert.waste_full", Figures: map[string]float64{"collected_l": w.CollectedL, "holds_l": w.HoldsL}})
		}
		c.alert(a)
	}
}
