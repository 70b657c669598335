package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"

	"github.com/spf13/cobra"

	"bayfill/bridge/words"
	"bayfill/sim"
)

type simOptions struct {
	readerFlags
	dir, listen    string
	script, replay string
	seed           uint64
	carts          int
	in             shopFloor
}

// simFolder is where a simulated cart keeps its ports and its configuration.
func simFolder() string { return filepath.Join(os.TempDir(), "bayfill-sim") }

func simCommand() *cobra.Command {
	var o simOptions
	cmd := &cobra.Command{
		Use:   "sim",
		Short: "help.sim",
		Long:  "help.sim_more",
		Example: `  bayfill sim
  bayfill sim --carts 3
  bayfill sim --script job.txt
  bayfill sim --replay scale.txt`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.replay != "" {
				return o.playRecording(cmd.Context(), cmd.OutOrStdout())
			}
			return o.run(cmd.Context(), cmd.InOrStdin(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	o.readerFlags.add(f)
	f.StringVar(&o.dir, "dir", simFolder(), "flag.dir_sim")
	f.StringVar(&o.listen, "listen", "127.0.0.1:1883", "flag.listen_sim")
	f.Float64Var(&o.in.windG, "wind", 0, "flag.wind")
	f.BoolVar(&o.in.bottles, "bottles", false, "flag.bottles")
	f.Uint64Var(&o.seed, "seed", 1, "flag.seed")
	f.IntVar(&o.carts, "carts", 1, "flag.carts")
	f.StringVar(&o.script, "script", "", "flag.script")
	f.StringVar(&o.replay, "replay", "", "flag.replay")
	apart(cmd, "replay", "script")
	return cmd
}

func (o *simOptions) run(ctx context.Context, in io.Reader, out io.Writer) (err error) {
	if o.carts < 1 || o.carts > 100 {
		return configError{words.NewError("sim.carts", "count", o.carts)}
	}
	script, err := readScript(o.script)
	if err != nil {
		return configError{err}
	}
	r, err := o.reader("")
	if err != nil {
		return err
	}
	h := &hand{reader: r, out: out, time: newSimTime()}
	h.wait = h.time.wait
	ctx, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	errs := make([]error, o.carts)
	defer func() {
		stop()
		running.Wait()
		err = errors.Join(append(errs, err)...)
	}()
	for i, name := range cartNames(o.carts) {
		rig, err := workshop(cartPorts(o.dir, i), o.seed+uint64(i), h.time.elapsed, o.in)
		if err != nil {
			return words.NewError("sim.no_ports", "path", cartPorts(o.dir, i), "why", err)
		}
		running.Go(func() { errs[i] = rig.Run(ctx) })
		h.carts = append(h.carts, simCart{name, rig})
	}
	if o.in.bottles {
		for _, c := range h.carts {
			c.rig.Do(func(c *sim.Cart) { c.BringBottles(quartsAtOnce, quartKg) })
		}
	}
	if err := o.writeFiles(); err != nil {
		return err
	}
	h.say("sim.runs", nil, nil)
	fmt.Fprintf(out, "\n  . %s\n  %s run\n\n", filepath.Join(o.dir, "env"), invocation())
	h.say("sim.env", nil, names{"program": invocation()})
	h.say("sim.type_help", nil, nil)
	return h.play(ctx, script, in)
}

// writeFiles writes the configuration, the password and the env file.
func (o *simOptions) writeFiles() error {
	broker, err := embeddedBroker(o.dir, o.listen, rand.Text())
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(o.dir, configName), []byte(workshopConfig(o.dir, broker, "", o.carts)), 0o600); err != nil {
		return err
	}
	return writeEnv(o.dir, "tcp://"+o.listen)
}

// writeEnv writes the file that says to other commands where the cart is.
func writeEnv(dir, broker string) error {
	env := ""
	for _, v := range [][2]string{
		{"BROKER", broker}, {"USERNAME", demoUser}, {"PASSWORD_FILE", passwordPath(dir)},
		{"SHOP", demoShop}, {"CART", demoCart}, {"CONFIG", filepath.Join(dir, configName)}, {"SIM", dir},
	} {
		env += fmt.Sprintf("export BAYFILL_%s=%s\n", v[0], v[1])
	}
	return os.WriteFile(filepath.Join(dir, "env"), []byte(env), 0o600)
}
