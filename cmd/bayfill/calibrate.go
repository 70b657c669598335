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
	)
	o := calibrate.Options{Speed: 1}
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Compare a scale or a probe with known values and record the result",
		Long: `Compare a scale with known weights, or a probe with ice, boiling water or
another thermometer, and add the result to the sensor's file of calibrations.
The bridge must not run meanwhile, because it holds the port.

Without --point you type each known value at its point, and done after the last
one; back drops the last point. With --point the values are given beforehand,
and you press Enter at each point as soon as the weight or the probe is in place.

  --point 0 --point 5kg --point "10 lb"
  --point ice --point boiling --altitude-m 430
  --point reference --point "60 C"

At reference you are asked what the other thermometer shows. The exit status is 1
when the sensor is out of tolerance; the result is recorded all the same.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			conf, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			if list {
				return calibrate.List(cmd.OutOrStdout(), conf, o.Cart, o.Sensor, time.Now().UnixNano())
			}
			if cmd.Flags().Changed("altitude-m") {
				o.AltitudeM = &altitudeM
			}
			return runCalibration(cmd.Context(), conf, o, cmd.InOrStdin(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVarP(&path, "config", "c", configDefault(), configHelp)
	f.StringVar(&o.Cart, "cart", "", onlyCartHelp)
	f.StringVar(&o.Sensor, "sensor", "", "sensor of that cart")
	f.BoolVar(&list, "list", false, "only show the state of the calibrations")
	f.StringVar(&o.By, "by", "", "who calibrates (default: the user who is logged in)")
	f.StringVar(&o.Equipment, "equipment", "", `equipment used, as in "weights M1, certificate 123"`)
	f.StringArrayVar(&o.Points, "point", nil, "known value of a point; repeat it for each point")
	f.Float64Var(&o.WeightsUPct, "weights-u-pct", 0.005, "standard uncertainty of the weights, in percent")
	f.Float64Var(&altitudeM, "altitude-m", 0, "altitude in metres, for the boiling point")
	f.Float64Var(&o.PressureHPa, "pressure-hpa", 0, "air pressure at this place, not reduced to sea level, for the boiling point")
	f.Float64Var(&o.ReferenceUC, "reference-u-c", 0.1, "standard uncertainty of the other thermometer, in °C")
	f.Float64Var(&o.ResolutionC, "resolution-c", 0.1, "display step of the probe, in °C")
	f.IntVar(&o.DueDays, "due-days", 365, "days until the next calibration is due")
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
