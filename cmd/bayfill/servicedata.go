package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/units"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// serviceWidth is the maximum width of the list, in columns.
const serviceWidth = 80

type serviceDataOptions struct{ config, dir, units string }

func serviceDataCommand() *cobra.Command {
	var o serviceDataOptions
	cmd := &cobra.Command{
		Use:     "service-data [NAME]",
		Short:   "help.service-data",
		Example: "  bayfill service-data van6-overflow",
		Long:    "help.service-data_more",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			fluids, err := o.load(cmd.Flags().Changed("config"))
			if err != nil {
				return err
			}
			preferred, err := units.ParseSystem(o.units)
			if err != nil {
				return fmt.Errorf("--units: %w", notSystem(o.units))
			}
			if len(args) == 0 {
				return listServiceData(cmd.OutOrStdout(), o.dir, fluids, preferred)
			}
			d, err := config.FindServiceData(o.dir, args[0], fluids)
			if err != nil {
				return err
			}
			for _, row := range d.Show(preferred) {
				printWrapped(cmd.OutOrStdout(), row, serviceWidth)
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.config, "config", "c", configDefault(), configHelp)
	f.StringVar(&o.dir, "dir", "", "flag.dir_service-data")
	f.StringVar(&o.units, "units", "", "flag.units_service-data")
	return cmd
}

// load reads the configuration, unless only --dir is given, and completes the flags
// from it. The fluids are nil without a configuration.
func (o *serviceDataOptions) load(configGiven bool) (map[string]fillcalc.Fluid, error) {
	if o.dir != "" && !configGiven {
		return nil, nil
	}
	c, err := config.Load(o.config)
	if err != nil {
		return nil, configError{err}
	}
	o.dir, o.units = cmp.Or(o.dir, c.ServiceData), cmp.Or(o.units, c.Units)
	if o.dir == "" {
		return nil, errors.New("service_data: the configuration names no folder: add it there, or give --dir")
	}
	return c.FluidsByName(), nil
}

// listServiceData prints a paragraph for each file. The error says how many are bad.
func listServiceData(out io.Writer, dir string, fluids map[string]fillcalc.Fluid, preferred units.System) error {
	good, err := config.ReadServiceData(dir, fluids)
	var bad []error
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		bad = joined.Unwrap()
	} else if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(good)) {
		printWrapped(out, "good  "+name, serviceWidth)
		const margin = "      "
		for _, line := range wrap.Lines(good[name].Summary(preferred), serviceWidth-len(margin)) {
			fmt.Fprintln(out, margin+line)
		}
	}
	for _, err := range bad {
		first, _, _ := strings.Cut(err.Error(), "\n") // the other lines quote the file
		printWrapped(out, "BAD   "+first, serviceWidth)
	}
	switch {
	case len(bad) > 0:
		return fmt.Errorf("of %d files in %s %d are bad", len(good)+len(bad), dir, len(bad))
	case len(good) == 0:
		printWrapped(out, "There is no .yaml file in "+dir+" yet.", serviceWidth)
	}
	return nil
}
