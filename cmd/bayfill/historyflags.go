package main

import (
	"cmp"
	"errors"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/words"
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
		key := "usage.no_jobs"
		if h.flags.Lookup("journal") != nil {
			key = "usage.no_jobs_journal"
		}
		return nil, configError{words.NewError(key)}
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
			return config.History{}, configError{words.NewError("usage.influx_secret", "why", err)}
		}
		return config.History{URL: h.url, Org: h.org, Bucket: h.bucket, Token: config.Secret{Env: h.tokenEnv}}, nil
	}
	c, err := h.load()
	if err != nil {
		return config.History{}, err
	}
	if c.History.URL == "" {
		return config.History{}, configError{words.NewError("usage.no_history")}
	}
	return c.History, nil
}
