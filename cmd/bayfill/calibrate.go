package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/user"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"bayfill/bridge/calibrate"
	"bayfill/bridge/config"
)

func calibrateCommand() *cobra.Command {
	var (
		path      string
		list      bool
		altitudeM float64
		reads     languageFlag
	)
	o := calibrate.Options{Speed: 1}
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "help.calibrate",
		Long:  "help.calibrate_more",
		Example: `  bayfill calibrate --list
  bayfill calibrate --sensor caddy-scale --point 0 --point 5kg --point "10 lb"
  bayfill calibrate --sensor fluid-probe --point ice --point boiling --altitude-m 430
  bayfill calibrate --sensor fluid-probe --point reference --point "60 C"`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var err error
			if o.Reader, err = reads.reader(); err != nil {
				return err
			}
			conf, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			if list {
				return calibrate.List(cmd.OutOrStdout(), conf, o.Cart, o.Sensor, time.Now().UnixNano(), o.Reader)
			}
			if cmd.Flags().Changed("altitude-m") {
				o.AltitudeM = &altitudeM
			}
			return runCalibration(cmd.Context(), conf, o, cmd.InOrStdin(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	reads.add(f)
	f.StringVarP(&path, "config", "c", configDefault(), configHelp)
	f.StringVar(&o.Cart, "cart", "", onlyCartHelp)
	f.StringVar(&o.Sensor, "sensor", "", "flag.sensor")
	f.BoolVar(&list, "list", false, "flag.list")
	f.StringVar(&o.By, "by", "", "flag.by")
	f.StringVar(&o.Equipment, "equipment", "", "flag.equipment")
	f.StringArrayVar(&o.Points, "point", nil, "flag.point")
	f.Float64Var(&o.WeightsUPct, "weights-u-pct", 0.005, "flag.weights-u-pct")
	f.Float64Var(&altitudeM, "altitude-m", 0, "flag.altitude-m")
	f.Float64Var(&o.PressureHPa, "pressure-hpa", 0, "flag.pressure-hpa")
	f.Float64Var(&o.ReferenceUC, "reference-u-c", 0.1, "flag.reference-u-c")
	f.Float64Var(&o.ResolutionC, "resolution-c", 0.1, "flag.resolution-c")
	f.IntVar(&o.DueDays, "due-days", 365, "flag.due-days")
	return cmd
}

func runCalibration(ctx context.Context, conf *config.Config, o calibrate.Options, in io.Reader, out io.Writer) error {
	o.Cart = onlyCart(conf, o.Cart)
	if o.By == "" {
		if me, err := user.Current(); err == nil {
			o.By = me.Username
		}
	}
	if f, ok := out.(*os.File); ok {
		o.Live = term.IsTerminal(int(f.Fd()))
	}
	session, err := calibrate.New(conf, o)
	if err != nil {
		return fmt.Errorf("--%w", err)
	}
	return session.Run(ctx, in, out)
}
