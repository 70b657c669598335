package board

import (
	"math"

	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// noJob lets somebody open a job: they say who works and on which vehicle, and tap what the
// shop has looked up for its gearbox.
func (s *screen) noJob(c *cart) {
	s.Say, s.Why = s.word("bay.open_what"), ""
	s.Pic = picture{Kind: "choose", Offers: s.offers(c)}
	s.byHand(c)
}

// nextJob is the dialog that opens the next job while the page still shows the last one's
// result.
func (s *screen) nextJob(c *cart) {
	if offers := s.offers(c); len(offers) > 0 {
		s.opens("bay.next_job", "", dialog{ID: "next", Entries: []entry{
			{ID: "next-by", Name: "by", Label: s.word("bay.who"), Keep: true},
			{ID: "next-vehicle", Name: "vehicle", Label: s.word("bay.vehicle")},
		}, Answers: offers})
	}
	s.byHand(c)
}

func (s *screen) offers(c *cart) (list []answer) {
	for _, d := range c.choices.message.ServiceData[:min(maxOffered, len(c.choices.message.ServiceData))] {
		list = append(list, s.offer(&d))
	}
	return list
}

// maxOffered is how many gearboxes fit the page. The others are in the dialog.
const maxOffered = 12

// offer is a button that opens a job with one of the shop's service data.
func (s *screen) offer(d *wire.ChoiceServiceData) answer {
	label := d.Vehicle
	if label == "" {
		label = d.Name
	}
	small := d.Fluid
	if l := float64(d.TypicalL); !math.IsNaN(l) {
		small += ", " + s.litres(l)
	}
	small += ", " + s.between(float64(d.LowC), float64(d.HighC))
	return answer{Label: label, Small: small, Commands: command("open", set{"service_data", d.Name}), With: "by vehicle"}
}

// byHand opens a job with what the vehicle maker's data say, or with service data that have
// no room on the page.
func (s *screen) byHand(c *cart) {
	temperature := s.R.Units.TemperatureUnit().Symbol
	d := dialog{ID: "open", Texts: []string{s.word("bay.open_how")}, Entries: []entry{
		{ID: "open-by", Name: "by", Label: s.word("bay.who"), Keep: true},
		{ID: "open-vehicle", Name: "vehicle", Label: s.word("bay.vehicle")},
	}}
	data := entry{ID: "open-data", Name: "service_data", Label: s.word("bay.service_data"), Choices: []choice{{"", unknown}}}
	for _, one := range c.choices.message.ServiceData {
		data.Choices = append(data.Choices, choice{one.Name, one.Name + " " + one.Vehicle})
	}
	fluid := entry{ID: "open-fluid", Name: "fluid", Label: s.word("bay.fluid_name"), Choices: []choice{{"", unknown}}}
	for _, one := range c.choices.message.Fluids {
		fluid.Choices = append(fluid.Choices, choice{one.Name, one.Name})
	}
	d.Entries = append(d.Entries, entry{ID: "open-job", Name: "job", Label: s.word("bay.job")}, data, fluid,
		entry{ID: "open-low", Name: "low_c", Label: s.word("bay.window_from"), Unit: temperature, Figure: true},
		entry{ID: "open-high", Name: "high_c", Label: s.word("bay.window_to"), Unit: temperature, Figure: true})
	d.Answers = []answer{{Label: s.word("bay.start"), Main: true, Commands: command(string(fillcalc.DoOpen)), With: "by vehicle job service_data fluid low_c high_c"}}
	if len(c.choices.message.ServiceData) == 0 {
		s.opens("bay.open_first", "", d)
		return
	}
	s.opens("bay.open", s.word("bay.open_small"), d)
}
