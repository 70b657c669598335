package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/units"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// serviceWidth is how many columns the list needs at most.
const serviceWidth = 80

func serviceDataCommand() *cobra.Command {
	var conf, dir, system string
	cmd := &cobra.Command{
		Use:   "service-data [NAME]",
		Short: "List the shop's service data and check every file; with a name, show one in full",
		Long: `List the shop's service data and check every file: the exit status is 1 when one
is bad. With a name, show one in full: amounts in preferred units, as written
and in SI. The fluids must be those of the configuration, unless only --dir is given.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var fluids map[string]fillcalc.Fluid
			if dir == "" || cmd.Flags().Changed("config") {
				c, err := config.Load(conf)
				if err != nil {
					return configError{err}
				}
				fluids, dir, system = c.FluidsByName(), cmp.Or(dir, c.ServiceData), cmp.Or(system, c.Units)
			}
			if dir == "" {
				return errors.New("service_data: the configuration names no folder: add it there, or give --dir")
			}
			preferred, err := units.ParseSystem(system)
			if err != nil {
				return fmt.Errorf("--units: %w", err)
			}
			say := func(margin, text string) {
				for _, line := range wrap.Lines(text, serviceWidth-len(margin)) {
					fmt.Fprintf(cmd.OutOrStdout(), "%s%s\n", margin, line)
				}
			}
			if len(args) == 1 {
				d, err := config.FindServiceData(dir, args[0], fluids)
				if err != nil {
					return err
				}
				for _, row := range d.Show(preferred) {
					say("", row)
				}
				return nil
			}

			good, err := config.ReadServiceData(dir, fluids)
			var bad []error
			if joined, ok := err.(interface{ Unwrap() []error }); ok {
				bad = joined.Unwrap()
			} else if err != nil {
				return err
			}
			for _, name := range slices.Sorted(maps.Keys(good)) {
				say("", "good  "+name)
				say("      ", good[name].Summary(preferred))
			}
			for _, err := range bad {
				first, _, _ := strings.Cut(err.Error(), "\n") // the rest draws the place
				say("", "BAD   "+first)
			}
			switch {
			case len(bad) > 0:
				return fmt.Errorf("of %d files in %s %d are bad", len(good)+len(bad), dir, len(bad))
			case len(good) == 0:
				say("", "There is no .yaml file in "+dir+" yet.")
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&conf, "config", "c", "bayfill.yaml", configHelp)
	f.StringVar(&dir, "dir", "", "folder of the service data (default: the configuration's service_data)")
	f.StringVar(&system, "units", "", "show amounts in these units: metric, us, imperial (default: the configuration's)")
	return cmd
}
