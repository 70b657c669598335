package main

import (
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"bayfill/sim"
)

func simCommand() *cobra.Command {
	var (
		dir  string
		seed uint64
		in   shopFloor
	)
	cmd := &cobra.Command{
		Use:   "sim",
		Short: "Run a simulated cart on pseudo-terminals, to try things by hand",
		Long: `Run a simulated cart on pseudo-terminals. Its ports and a matching configuration
are written to a folder. Type these words to act on the cart:

  drain, shut              open and close the drain
  tip                      tip the pan into the caddy
  pour, stop               start and stop pouring fresh fluid
  engine, off              start and stop the engine
  bottle, back, away       take a bottle off its scale, put it back, throw it away
  bring                    put six full bottles there
  tool, take               put a tool on the caddy, take it away
  kick                     knock against the caddy
  unplug NAME, plug NAME   unplug a sensor, plug it in again
  truth                    print what was really drained and added
  quit                     stop`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			start := time.Now()
			rig, err := workshop(filepath.Join(dir, "ports"), seed, func() time.Duration { return time.Since(start) }, in)
			if err != nil {
				return err
			}
			broker, err := embeddedBroker(dir, "127.0.0.1:1883", rand.Text())
			if err != nil {
				return err
			}
			if in.bottles {
				rig.Do(actions["bring"])
			}
			config := filepath.Join(dir, configName)
			if err := os.WriteFile(config, []byte(workshopConfig(dir, broker, "")), 0o600); err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "Cart running. In another terminal:\n\n  bayfill run --config %s\n  bayfill listen %s\n\n", config, rig.Port("caddy-scale"))
			return playByHand(ctx, rig, cmd.InOrStdin(), out)
		},
	}
	cmd.Flags().StringVar(&dir, "dir", filepath.Join(os.TempDir(), "bayfill-sim"), "folder for ports and configuration")
	cmd.Flags().Float64Var(&in.windG, "wind", 0, "slow wind on the scales, in grams")
	cmd.Flags().BoolVar(&in.bottles, "bottles", false, "the fresh fluid comes in bottles, which are taken off and poured")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "seed of the simulated noise")
	return cmd
}

// actions are the words that act on the cart.
var actions = map[string]func(*sim.Cart){
	"drain":  (*sim.Cart).OpenDrain,
	"shut":   (*sim.Cart).CloseDrain,
	"tip":    func(c *sim.Cart) { c.TipPan(1200 * time.Millisecond) },
	"pour":   func(c *sim.Cart) { c.StartPour(0.05) },
	"stop":   (*sim.Cart).StopPour,
	"engine": (*sim.Cart).StartEngine,
	"off":    (*sim.Cart).StopEngine,
	"bottle": func(c *sim.Cart) {
		if c.Bottles() > 0 {
			c.TakeBottle()
		}
	},
	"back":  (*sim.Cart).PutBottleBack,
	"away":  (*sim.Cart).ThrowBottleAway,
	"bring": func(c *sim.Cart) { c.BringBottles(quartsAtOnce, quartKg) },
	"tool":  func(c *sim.Cart) { c.LayOnCaddy(0.45) },
	"take":  (*sim.Cart).TakeOffCaddy,
	"kick":  func(c *sim.Cart) { c.Kick(1.5) },
}
