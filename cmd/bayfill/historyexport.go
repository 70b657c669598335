package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
)

type historyExportOptions struct {
	from         historyFlags
	job, opened  string
	since, until string
	shop, cart   string
	format, path string
}

func historyExportCommand() *cobra.Command {
	var o historyExportOptions
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Write a job, or all points of a period, as line protocol or CSV",
		Long: `Write a job, or all points of a period, as line protocol, which every InfluxDB
accepts, or as CSV with a row for each field. Progress is shown on standard error.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.job, "job", "", "the newest job of this name")
	f.StringVar(&o.opened, "opened", "", "of several jobs of that name, the one opened at this time, as the audit writes it")
	f.StringVar(&o.since, "since", "", "start of the period: "+momentHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.shop, "shop", "", "only this shop")
	f.StringVar(&o.cart, "cart", "", "only this cart")
	f.StringVar(&o.format, "format", "line", "line or csv")
	f.StringVarP(&o.path, "output", "o", "", "file to write (default: standard output)")
	return cmd
}

func (o *historyExportOptions) run(ctx context.Context, out, errOut io.Writer) (err error) {
	if (o.job == "") == (o.since == "") {
		return errors.New("either --job or --since is needed")
	}
	format := audit.Format(o.format)
	if format != audit.LineProtocol && format != audit.CSV {
		return fmt.Errorf("--format: %q is not line or csv", o.format)
	}
	history, err := o.from.history()
	if err != nil {
		return err
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return err
	}
	defer store.Close()
	if o.path != "" {
		file, err := os.OpenFile(o.path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		out = file
	}
	buffered := bufio.NewWriter(out)
	defer func() { err = errors.Join(err, buffered.Flush()) }()
	if o.job != "" {
		atNs, err := openedNs(o.opened)
		if err != nil {
			return err
		}
		record, err := store.Record(ctx, o.job, atNs)
		if err != nil {
			return err
		}
		return record.Write(buffered, format)
	}
	sinceNs, untilNs, err := period(o.since, o.until, time.Now())
	if err != nil {
		return err
	}
	p := newProgress(errOut)
	defer p.end()
	return store.Export(ctx, o.shop, o.cart, sinceNs, untilNs, format, buffered, func(upToNs int64, points int) {
		p.report(float64(upToNs-sinceNs)/float64(untilNs-sinceNs), fmt.Sprintf("%d points", points))
	})
}
