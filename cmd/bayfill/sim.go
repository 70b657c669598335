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
	)
	cmd := &cobra.Command{
		Use:   "sim",
		Short: "Keep a simulated cart running on pseudo-terminals, for trying things by hand",
		Long: `Keep a simulated cart running on pseudo-terminals. Its ports and a configuration
that fits are put into a folder; type single words to act on the cart:
drain, shut, tip, pour, stop, engine, off, tool, take, kick, unplug NAME, plug NAME, truth, quit.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			start := time.Now()
			rig, err := workshop(filepath.Join(dir, "ports"), seed, func() time.Duration { return time.Since(start) })
			if err != nil {
				return err
			}
			broker, err := embeddedBroker(dir, "127.0.0.1:1883", rand.Text())
			if err != nil {
				return err
			}
			config := filepath.Join(dir, "bayfill.yaml")
			if err := os.WriteFile(config, []byte(workshopConfig(rig, dir, broker, "")), 0o600); err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "Cart running. In another terminal:\n\n  bayfill run --config %s\n  bayfill listen %s\n\n", config, rig.Port("caddy-scale"))
			return playByHand(ctx, rig, cmd.InOrStdin(), out)
		},
	}
	cmd.Flags().StringVar(&dir, "dir", filepath.Join(os.TempDir(), "bayfill-sim"), "folder for ports and configuration")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "seed of the noise")
	return cmd
}

// actions are the words that a person may type.
var actions = map[string]func(*sim.Cart){
	"drain":  (*sim.Cart).OpenDrain,
	"shut":   (*sim.Cart).CloseDrain,
	"tip":    func(c *sim.Cart) { c.TipPan(1200 * time.Millisecond) },
	"pour":   func(c *sim.Cart) { c.StartPour(0.05) },
	"stop":   (*sim.Cart).StopPour,
	"engine": (*sim.Cart).StartEngine,
	"off":    (*sim.Cart).StopEngine,
	"tool":   func(c *sim.Cart) { c.LayOnCaddy(0.45) },
	"take":   (*sim.Cart).TakeOffCaddy,
	"kick":   func(c *sim.Cart) { c.Kick(1.5) },
}
