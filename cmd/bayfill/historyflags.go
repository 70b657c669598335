package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
)

const (
	influxOrgHelp    = "flag.influx-org"
	influxBucketHelp = "flag.influx-bucket"
	influxTokenHelp  = "flag.influx-token-env"
)

// historyFlags name the history: that of a configuration, or another server.
type historyFlags struct {
	flags                              *pflag.FlagSet
	config, url, org, bucket, tokenEnv string
}

func (h *historyFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	h.flags = f
	f.StringVarP(&h.config, "config", "c", os.Getenv("BAYFILL_CONFIG"), "flag.config_fleet")
	f.StringVar(&h.url, "influx-url", "", "flag.influx-url")
	f.StringVar(&h.org, "influx-org", "", influxOrgHelp)
	f.StringVar(&h.bucket, "influx-bucket", "bayfill", influxBucketHelp)
	f.StringVar(&h.tokenEnv, "influx-token-env", "", influxTokenHelp)
}

// load reads the configuration.
func (h *historyFlags) load() (*config.Config, error) {
	c, err := config.Load(cmp.Or(h.config, "bayfill.yaml"))
	if h.config == "" && errors.Is(err, fs.ErrNotExist) {
		sources := "a configuration with --config, a server with --influx-url"
		if h.flags.Lookup("journal") != nil {
			sources += ", or a cart's journal file with --journal"
		}
		return nil, configError{errors.New("nothing says where the jobs are, and there is no bayfill.yaml in this folder: give " + sources)}
	}
	if err != nil {
		return nil, configError{err}
	}
	return c, nil
}

// units returns the units of the configuration, if it can be read: a journal and another
// server need none.
func (h *historyFlags) units() string {
	if c, err := h.load(); err == nil {
		return c.Units
	}
	return ""
}

func (h *historyFlags) history() (config.History, error) {
	if h.url != "" {
		if err := mqtt.CheckAddress(h.url); err != nil {
			return config.History{}, configError{fmt.Errorf("--influx-url: %w: use --influx-token-env", err)}
		}
		return config.History{URL: h.url, Org: h.org, Bucket: h.bucket, Token: config.Secret{Env: h.tokenEnv}}, nil
	}
	c, err := h.load()
	if err != nil {
		return config.History{}, err
	}
	if c.History.URL == "" {
		return config.History{}, configError{errors.New("history: the configuration names none: give --influx-url, or --journal for a journal file")}
	}
	return c.History, nil
}
