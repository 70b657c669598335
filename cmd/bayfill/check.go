package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
)

func checkCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:     "check",
		Short:   "help.check",
		Example: "  bayfill check --config bayfill.yaml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			config, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			if err := config.CheckSecrets(); err != nil {
				return configError{fmt.Errorf("%s: %w", path, err)}
			}
			describe(cmd.OutOrStdout(), config, time.Now().UnixNano())
			return nil
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
	return cmd
}

// describe says what a bridge with this configuration would do.
func describe(out io.Writer, c *config.Config, nowNs int64) {
	fmt.Fprintf(out, "The configuration is good. As %s it would\n", c.Shop)
	for i := range c.Carts {
		describeCart(out, c, &c.Carts[i], nowNs)
	}
	if c.KeyMissing() {
		fmt.Fprintf(out, "  note: identity.key is gone from %s, where journals are: restore it from a copy, or a new one\n", c.Data)
		fmt.Fprintln(out, "    is made, with which the names in these journals cannot be found any more")
	}
	if c.Monitor.Listen != "" {
		fmt.Fprintf(out, "  answer /healthz and /metrics on %s\n", c.Monitor.Listen)
	}
	describeBroker(out, c.Broker)
	if c.Commands.Key != (config.Secret{}) {
		fmt.Fprintln(out, "  accept only signed commands")
	}
	if c.History.URL == "" {
		fmt.Fprintln(out, "  keep no history beyond the journal (no history.url)")
	} else {
		fmt.Fprintf(out, "  send the history to %s, bucket %s\n", c.History.URL, c.History.Bucket)
	}
	for _, f := range c.Fluids {
		fmt.Fprintf(out, "  know the fluid %s\n", f.Name)
	}
	if c.ServiceData != "" {
		good, bad := config.ReadServiceData(c.ServiceData, c.FluidsByName())
		fmt.Fprintf(out, "  know %d service data in %s\n", len(good), c.ServiceData)
		if bad != nil {
			fmt.Fprintln(out, "    note: not all of it is good, see bayfill service-data")
		}
	}
}

// zeroTrackingD is how many display steps a second an indicator's zero tracking
// may correct (OIML R 76-1:2006, 4.5.7).
const zeroTrackingD = 0.5

func describeCart(out io.Writer, c *config.Config, cart *config.Cart, nowNs int64) {
	fmt.Fprintf(out, "  run cart %s, journal in %s, topics below bayfill/%s/%s/\n", cart.Name, c.Data, c.Shop, cart.Name)
	for _, s := range cart.Sensors {
		fmt.Fprintf(out, "    read %s (%s) from %s at %s, protocol %s", s.Name, s.Role, s.Port, s.Line, s.Protocol)
		if s.Pattern != "" {
			fmt.Fprintf(out, " with pattern %s", s.Pattern)
		}
		fmt.Fprintln(out)
	}
	fmt.Fprintf(out, "    give volumes at %g °C\n", *cart.ReferenceC)
	for _, s := range cart.Sensors {
		if s.ResolutionKg > 0 {
			fmt.Fprintf(out, "    note: %s: zero tracking of its indicator (OIML R 76-1 4.5.7: up to %g d a second near zero)\n", s.Name, zeroTrackingD)
			fmt.Fprintf(out, "      would hide a drip of up to %.3g g/s: switch it off, or keep a load on the scale\n", zeroTrackingD*s.ResolutionKg*1000)
		}
	}
	for _, text := range c.DueCalibrations(cart, nowNs) {
		fmt.Fprintf(out, "    note: %s\n", text)
	}
}

func describeBroker(out io.Writer, b config.Broker) {
	switch {
	case len(b.External()) > 0:
		fmt.Fprintf(out, "  publish to the broker %s\n", strings.Join(b.External(), " or "))
		return
	case len(b.Users) == 0:
		fmt.Fprintf(out, "  run its own broker on %s: everybody on this machine may read, nobody may command (no users are configured)\n", b.Listen)
		return
	}
	transport := "in plain text: everybody in the network can read passwords and change figures (see broker.cert_file)"
	if b.CertFile != "" {
		transport = "over TLS"
	}
	fmt.Fprintf(out, "  run its own broker on %s, %s, for\n", b.Listen, transport)
	for _, u := range b.Users {
		fmt.Fprintf(out, "    %s, who may %v", u.Name, u.May)
		if len(u.Carts) > 0 {
			fmt.Fprintf(out, " of carts %v", u.Carts)
		}
		fmt.Fprintln(out)
	}
}
