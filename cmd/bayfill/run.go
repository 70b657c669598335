package main

import (
	"cmp"
	"log/slog"
	"os"
	"runtime"

	"github.com/spf13/cobra"

	"bayfill/bridge"
	"bayfill/bridge/config"
)

const (
	configHelp   = "flag.config"
	onlyCartHelp = "flag.cart_budget"
)

// configDefault is the configuration file when none is named.
func configDefault() string { return cmp.Or(os.Getenv("BAYFILL_CONFIG"), configName) }

// onlyCart is the named cart, or the only one of the configuration.
func onlyCart(c *config.Config, name string) string {
	if name == "" && len(c.Carts) == 1 {
		return c.Carts[0].Name
	}
	return name
}

func runCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:     "run",
		Short:   "help.run",
		Example: "  bayfill run --config bayfill.yaml",
		Long:    "help.run_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			config, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			manager, err := bridge.FindManager()
			if err != nil {
				return err
			}
			useProcessors(len(config.Carts))
			log, flush := limitLog(newLog(slog.LevelInfo))
			defer flush()
			b, err := bridge.New(cmd.Context(), config, bridge.Options{Log: log, Manager: manager, ClockSet: bridge.ClockSet})
			if err != nil {
				return err
			}
			return b.Run(cmd.Context())
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
	return cmd
}

// useProcessors limits the program to one processor at a time for each sixteen carts,
// unless the environment says how many. A reading is a fifth of a millisecond of work in
// several steps; on two processors most of what it takes is that one wakes the other.
func useProcessors(carts int) {
	if os.Getenv("GOMAXPROCS") == "" {
		runtime.GOMAXPROCS(min(runtime.GOMAXPROCS(0), 1+(carts-1)/16))
	}
}
