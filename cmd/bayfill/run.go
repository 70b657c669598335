package main

import (
	"cmp"
	"log/slog"
	"os"
	"runtime/debug"

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

// collectAt is how much the heap grows before it is collected, in percent. A bridge
// allocates little and runs for months, so collecting early costs nothing that can be measured
// and saves some megabytes (testdata/measured/lean.md).
const collectAt = 30

func runCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:     "run",
		Short:   "help.run",
		Example: "  bayfill run --config bayfill.yaml",
		Long:    "help.run_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if os.Getenv("GOGC") == "" {
				debug.SetGCPercent(collectAt)
			}
			config, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			manager, err := bridge.FindManager()
			if err != nil {
				return err
			}
			log, flush := limitLog(newLog(slog.LevelInfo))
			defer flush()
			forget := func() {
				if err := forgetStart(); err != nil {
					log.Debug("pages of the start stay in memory", "error", err)
				}
			}
			forget() // and again later, so that the pages of both parts of the start are never there at once
			b, err := bridge.New(cmd.Context(), config, bridge.Options{Log: log, Manager: manager, ClockSet: bridge.ClockSet})
			if err != nil {
				return err
			}
			forget()
			return b.Run(cmd.Context())
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
	return cmd
}
