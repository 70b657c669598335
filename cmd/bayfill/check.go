package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge"
	"bayfill/bridge/config"
	"bayfill/bridge/words"
)

func checkCommand() *cobra.Command {
	var path string
	var lang languageFlag
	cmd := &cobra.Command{
		Use:     "check",
		Short:   "help.check",
		Example: "  bayfill check --config bayfill.yaml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			conf, err := config.Load(path)
			if err != nil {
				return configError{err}
			}
			if err := conf.CheckSecrets(); err != nil {
				return configError{config.InFile(path, err)}
			}
			d := description{cmd.OutOrStdout(), reader}
			d.configuration(conf, time.Now().UnixNano())
			return nil
		},
	}
	cmd.Flags().StringVarP(&path, "config", "c", configDefault(), configHelp)
	lang.add(cmd.Flags())
	return cmd
}

// description says to a reader what a bridge with a configuration would do.
type description struct {
	out    io.Writer
	reader words.Reader
}

// say prints a sentence by its key and pairs, see [words.NewError], that many levels deep.
func (d *description) say(level int, key string, pairs ...any) {
	margin := strings.Repeat("  ", level)
	fmt.Fprintln(d.out, margin+strings.ReplaceAll(d.reader.Fault(words.NewError(key, pairs...)), "\n", "\n"+margin))
}

func (d *description) configuration(c *config.Config, nowNs int64) {
	d.say(0, "checked.good", "shop", c.Shop)
	for i := range c.Carts {
		d.cart(c, &c.Carts[i], nowNs)
	}
	if err := bridge.CheckFiles(c); err != nil {
		fmt.Fprintln(d.out, "  "+d.reader.Fault(err))
	}
	if c.KeyMissing() {
		d.say(1, "checked.key_missing", "path", c.Data)
	}
	if c.Monitor.Listen != "" {
		d.say(1, "checked.monitor", "listen", c.Monitor.Listen)
	}
	d.broker(c.Broker)
	if c.Commands.Key != (config.Secret{}) {
		d.say(1, "checked.signed")
	}
	if c.History.URL == "" {
		d.say(1, "checked.no_history")
	} else {
		d.say(1, "checked.history", "url", c.History.URL, "bucket", c.History.Bucket)
	}
	for _, f := range c.Fluids {
		d.say(1, "checked.fluid", "fluid", f.Name)
	}
	if c.ServiceData != "" {
		good, bad := config.ReadServiceData(c.ServiceData, c.FluidsByName())
		d.say(1, "checked.service_data", "count", len(good), "path", c.ServiceData)
		if bad != nil {
			d.say(2, "checked.service_bad")
		}
	}
}

// zeroTrackingD is how many display steps a second an indicator's zero tracking
// may correct (OIML R 76-1:2006, 4.5.7).
const zeroTrackingD = 0.5

func (d *description) cart(c *config.Config, cart *config.Cart, nowNs int64) {
	d.say(1, "checked.cart", "cart", cart.Name, "path", c.Data, "topics", "bayfill/"+c.Shop+"/"+cart.Name+"/")
	for _, s := range cart.Sensors {
		key := "checked.sensor"
		if s.Pattern != "" {
			key = "checked.sensor_pattern"
		}
		d.say(2, key, "sensor", s.Name, "role", s.Role, "port", s.Port, "line", s.Line, "protocol", s.Protocol, "pattern", s.Pattern)
	}
	d.say(2, "checked.reference", "reference_c", *cart.ReferenceC)
	for _, s := range cart.Sensors {
		if s.ResolutionKg > 0 {
			d.say(2, "checked.zero_tracking", "sensor", s.Name, "steps", zeroTrackingD, "hides", fmt.Sprintf("%.3g", zeroTrackingD*s.ResolutionKg*1000))
		}
	}
	for _, due := range c.DueCalibrations(cart, nowNs) {
		d.say(2, "checked.note", "why", due)
	}
}

func (d *description) broker(b config.Broker) {
	switch {
	case len(b.External()) > 0:
		d.say(1, "checked.broker", "urls", strings.Join(b.External(), ", "))
		return
	case len(b.Users) == 0:
		d.say(1, "checked.own_broker", "listen", b.Listen)
		return
	}
	key := "checked.own_broker_plain"
	switch {
	case b.CertFile != "":
		key = "checked.own_broker_tls"
	case b.Loopback():
		key = "checked.own_broker_loopback"
	}
	d.say(1, key, "listen", b.Listen)
	for _, u := range b.Users {
		key := "checked.user"
		if len(u.Carts) > 0 {
			key = "checked.user_carts"
		}
		d.say(2, key, "user", u.Name, "may", strings.Join(u.May, ", "), "carts", strings.Join(u.Carts, ", "))
	}
}
