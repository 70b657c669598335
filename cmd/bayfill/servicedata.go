package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

// serviceWidth is the maximum width of the list, in columns.
const serviceWidth = 80

type serviceDataOptions struct {
	config, dir string
	reader      readerFlags
}

func serviceDataCommand() *cobra.Command {
	var o serviceDataOptions
	cmd := &cobra.Command{
		Use:     "service-data [NAME]",
		Short:   "help.service-data",
		Example: "  bayfill service-data van6-overflow",
		Long:    "help.service-data_more",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			fluids, system, err := o.load(cmd.Flags().Changed("config"))
			if err != nil {
				return err
			}
			reader, err := o.reader.reader(system)
			if err != nil {
				return err
			}
			if len(args) == 0 {
				return listServiceData(cmd.OutOrStdout(), o.dir, fluids, reader)
			}
			d, err := config.FindServiceData(o.dir, args[0], fluids)
			if err != nil {
				return err
			}
			for _, row := range d.Show(reader) {
				printWrapped(cmd.OutOrStdout(), row, serviceWidth)
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.config, "config", "c", configDefault(), configHelp)
	f.StringVar(&o.dir, "dir", "", "flag.dir_service-data")
	o.reader.add(f)
	return cmd
}

// load reads the configuration, unless only --dir is given, and completes the flags
// from it. The fluids are nil without a configuration. system are the units of the shop.
func (o *serviceDataOptions) load(configGiven bool) (fluids map[string]fillcalc.Fluid, system string, err error) {
	if o.dir != "" && !configGiven {
		return nil, "", nil
	}
	c, err := config.Load(o.config)
	if err != nil {
		return nil, "", configError{err}
	}
	o.dir = cmp.Or(o.dir, c.ServiceData)
	if o.dir == "" {
		return nil, "", words.NewError("service.no_folder")
	}
	return c.FluidsByName(), c.Units, nil
}

// listServiceData prints a paragraph for each file. The error says how many are bad.
func listServiceData(out io.Writer, dir string, fluids map[string]fillcalc.Fluid, r words.Reader) error {
	good, err := config.ReadServiceData(dir, fluids)
	var bad []error // of a file each
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		bad = joined.Unwrap()
	} else if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(good)) {
		printWrapped(out, fmt.Sprintf("%-5s %s", r.Word("service.good"), name), serviceWidth)
		const margin = "      "
		for _, line := range wrap.Lines(good[name].Summary(r), serviceWidth-len(margin)) {
			fmt.Fprintln(out, margin+line)
		}
	}
	for _, err := range bad {
		for _, fault := range config.Faults(err) {
			first, _, _ := strings.Cut(r.Fault(fault), "\n") // the other lines quote the file
			printWrapped(out, fmt.Sprintf("%-5s %s", r.Word("service.bad"), first), serviceWidth)
		}
	}
	switch {
	case len(bad) > 0:
		return words.NewError("service.bad_count", "count", len(good)+len(bad), "path", dir, "bad", len(bad))
	case len(good) == 0:
		printWrapped(out, r.Fault(words.NewError("service.none", "path", dir)), serviceWidth)
	}
	return nil
}
