package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayfill/bridge/typo"
	"bayfill/bridge/units"
	"bayfill/bridge/words"
	"bayfill/sim"
)

// Amounts that the words use when none is said.
const (
	pourKgS    = 0.05
	refillKgS  = 0.2
	toolKg     = 0.45
	kickKg     = 1.5
	referenceC = 20 // of the litres in truth
	leanWithin = 500 * time.Millisecond
)

// simWord is a word that a person may type. usage names what may follow it: an amount, or
// one of several words.
type simWord struct {
	name, usage string
	do          func(h *hand, ctx context.Context, args []string) error
}

var errQuit = errors.New("quit")

// simWords are all words, in the order of a job.
var simWords []simWord

func init() { // help lists the words, which would otherwise refer to themselves
	simWords = []simWord{
		{"drain", "", onCart((*sim.Cart).OpenDrain)},
		{"shut", "", onCart((*sim.Cart).CloseDrain)},
		{"tip", "", onCart(func(c *sim.Cart) { c.TipPan(1200 * time.Millisecond) })},
		{"pour", "", doPour},
		{"stop", "", onCart(func(c *sim.Cart) { c.StopPour(); c.StopRefill() })},
		{"engine", "", onCart((*sim.Cart).StartEngine)},
		{"off", "", onCart((*sim.Cart).StopEngine)},
		{"bottle", "take|return|away|bring", doBottle},
		{"refill", "", onCart(func(c *sim.Cart) { c.FillUp(refillKgS) })},
		{"swap", "", onCart(func(c *sim.Cart) { c.SwapSupply(sim.DefaultParams().SupplyKg) })},
		{"empty", "", onCart((*sim.Cart).EmptyCaddy)},
		{"vehicle", "", onCart((*sim.Cart).NextVehicle)},
		{"tool", "", onCart(func(c *sim.Cart) { c.LayOnCaddy(toolKg) })},
		{"take", "", onCart((*sim.Cart).TakeOffCaddy)},
		{"lean", "2 kg", doLean},
		{"kick", "", onCart(func(c *sim.Cart) { c.Kick(kickKg) })},
		{"wind", "20 g", doWind},
		{"weight", "5 kg", doWeight},
		{"probe", "ice|boil|fluid", doProbe},
		{"unplug", "SENSOR", onSensor((*sim.Rig).Unplug)},
		{"plug", "SENSOR", onSensor((*sim.Rig).Replug)},
		{"cart", "CART", doCart},
		{"fast", "10", doFast},
		{"wait", "10 s", doWait},
		{"truth", "", doTruth},
		{"help", "", doHelp},
		{"quit", "", func(*hand, context.Context, []string) error { return errQuit }},
	}
}

// onCart is a word that needs nothing more.
func onCart(act func(*sim.Cart)) func(*hand, context.Context, []string) error {
	return func(h *hand, _ context.Context, _ []string) error {
		h.rig().Do(act)
		return nil
	}
}

// onSensor is a word that needs a sensor.
func onSensor(act func(*sim.Rig, string) error) func(*hand, context.Context, []string) error {
	return func(h *hand, _ context.Context, args []string) error {
		if known := h.rig().Sensors(); !slices.Contains(known, args[0]) {
			return words.NewError("usage.not_listed", "typed", args[0], "choices", strings.Join(known, ", "))
		}
		return act(h.rig(), args[0])
	}
}

func (h *hand) rig() *sim.Rig { return h.carts[h.at].rig }

// findWord finds a word; the error names the nearest one.
func findWord(name string) (*simWord, error) {
	var known []string
	for i := range simWords {
		if simWords[i].name == name {
			return &simWords[i], nil
		}
		known = append(known, simWords[i].name)
	}
	if near := typo.Nearest(name, known); near != "" {
		return nil, words.NewError("sim.no_word_near", "typed", name, "near", near)
	}
	return nil, words.NewError("sim.no_word", "typed", name)
}

// do does what a line says, and returns whether to quit.
func (h *hand) do(ctx context.Context, line string) (quit bool) {
	args := strings.Fields(line)
	if len(args) == 0 {
		return false
	}
	word, err := findWord(args[0])
	if err == nil {
		if args = args[1:]; word.usage != "" && len(args) == 0 || word.usage == "" && len(args) > 0 {
			err = words.NewError("sim.say_as", "word", word.name, "usage", word.usage)
		} else {
			err = word.do(h, ctx, args)
		}
	}
	if err != nil && !errors.Is(err, errQuit) {
		fmt.Fprintln(h.out, h.reader.Fault(err))
	}
	return errors.Is(err, errQuit)
}

// complete completes the last word of a line as far as it is clear.
func (h *hand) complete(line string) string {
	args := strings.Fields(line)
	if len(args) == 0 || strings.HasSuffix(line, " ") && len(args) > 1 {
		return line
	}
	var known []string
	begun := args[len(args)-1]
	if len(args) == 1 && !strings.HasSuffix(line, " ") {
		for _, w := range simWords {
			known = append(known, w.name+" ")
		}
	} else {
		known = h.follows(args[0])
		if strings.HasSuffix(line, " ") {
			begun = ""
		}
	}
	known = slices.DeleteFunc(known, func(w string) bool { return !strings.HasPrefix(w, begun) })
	if len(known) == 0 {
		return line
	}
	common := known[0]
	for _, w := range known[1:] {
		for !strings.HasPrefix(w, common) {
			common = common[:len(common)-1]
		}
	}
	return line[:len(line)-len(begun)] + common
}

// follows are the words that may follow a word.
func (h *hand) follows(name string) []string {
	word, err := findWord(name)
	switch {
	case err != nil:
		return nil
	case word.usage == "SENSOR":
		return h.rig().Sensors()
	case word.usage == "CART":
		var carts []string
		for _, c := range h.carts {
			carts = append(carts, c.name)
		}
		return carts
	case strings.Contains(word.usage, "|"):
		return strings.Split(word.usage, "|")
	}
	return nil
}

func doPour(h *hand, _ context.Context, _ []string) (err error) {
	h.rig().Do(func(c *sim.Cart) {
		if c.PourableKg() == 0 {
			err = words.NewError("sim.nothing_to_pour")
			return
		}
		c.StartPour(pourKgS)
	})
	return err
}

func doBottle(h *hand, _ context.Context, args []string) (err error) {
	h.rig().Do(func(c *sim.Cart) {
		switch args[0] {
		case "take":
			if c.Bottles() == 0 {
				err = words.NewError("sim.no_bottle")
				return
			}
			c.TakeBottle()
		case "return":
			c.PutBottleBack()
		case "away":
			c.ThrowBottleAway()
		case "bring":
			c.BringBottles(quartsAtOnce, quartKg)
		default:
			err = words.NewError("usage.not_listed", "typed", args[0], "choices", "take, return, away, bring")
		}
	})
	return err
}

// kilograms reads a mass with its unit.
func kilograms(args []string) (float64, error) {
	kg, err := units.Written(strings.Join(args, " ")).Kilograms()
	if err != nil || !(kg >= 0 && kg <= 30) {
		return 0, words.NewError("sim.no_weight", "typed", strings.Join(args, " "))
	}
	return kg, nil
}

func doLean(h *hand, _ context.Context, args []string) error {
	kg, err := kilograms(args)
	if err == nil {
		h.rig().Do(func(c *sim.Cart) { c.LeanOnCaddy(kg, leanWithin) })
	}
	return err
}

func doWind(h *hand, _ context.Context, args []string) error {
	kg, err := kilograms(args)
	if err == nil {
		h.rig().Wind(kg)
	}
	return err
}

// doWeight puts known weights on the caddy's scale, this much in total.
func doWeight(h *hand, _ context.Context, args []string) error {
	kg, err := kilograms(args)
	if err == nil {
		h.rig().Do(func(c *sim.Cart) { c.TakeOffCaddy(); c.LayOnCaddy(kg) })
	}
	return err
}

func doProbe(h *hand, _ context.Context, args []string) error {
	celsius, known := map[string]float64{"ice": 0, "boil": 100, "fluid": math.NaN()}[args[0]]
	if !known {
		return words.NewError("usage.not_listed", "typed", args[0], "choices", "ice, boil, fluid")
	}
	h.rig().Do(func(c *sim.Cart) { c.DipProbe(sim.InTransmission, celsius) })
	return nil
}

func doCart(h *hand, _ context.Context, args []string) error {
	for i, c := range h.carts {
		if c.name == args[0] {
			h.at = i
			return nil
		}
	}
	return words.NewError("usage.not_listed", "typed", args[0], "choices", strings.Join(h.follows("cart"), ", "))
}

func doFast(h *hand, _ context.Context, args []string) error {
	speed, err := strconv.ParseFloat(args[0], 64)
	if err != nil || !(speed >= 0.1 && speed <= 100) {
		return words.NewError("sim.no_speed", "typed", args[0])
	}
	h.time.setSpeed(speed)
	return nil
}

// doWait waits by the time of the simulation.
func doWait(h *hand, ctx context.Context, args []string) error {
	text := strings.Join(args, "")
	d, err := time.ParseDuration(text)
	if err != nil || d < 0 || d > 24*time.Hour {
		return words.NewError("sim.no_time", "typed", text)
	}
	return h.wait(ctx, d)
}

func doTruth(h *hand, _ context.Context, _ []string) error {
	t := h.rig().Truth()
	h.say("sim.truth", figures{
		"drained_l": t.DrainedL(demoUsed, referenceC), "added_l": t.AddedL(demoFresh, referenceC), "fluid_c": t.FluidC, "caddy_c": t.CaddyC, "caddy_kg": t.CaddyKg, "supply_kg": t.SupplyKg,
	}, nil)
	return nil
}

func doHelp(h *hand, _ context.Context, _ []string) error {
	for _, w := range simWords {
		fmt.Fprintf(h.out, "  %-29s  %s\n", strings.TrimSpace(w.name+" "+w.usage), h.reader.Word("sim.word_"+w.name))
	}
	return nil
}
