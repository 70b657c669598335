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
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type historyExportOptions struct {
	from         historyFlags
	job, opened  string
	since, until string
	shop, cart   string
	format, path string
}

func historyExportCommand(lang *languageFlag) *cobra.Command {
	var o historyExportOptions
	cmd := &cobra.Command{
		Use:     "export",
		Short:   "help.history_export",
		Example: "  bayfill history export --job van-7 --output van-7.lines",
		Long:    "help.history_export_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			reader, err := lang.reader()
			if err != nil {
				return err
			}
			return o.run(cmd.Context(), reader, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.job, "job", "", "flag.job_export")
	f.StringVar(&o.opened, "opened", "", "flag.opened_export")
	f.StringVar(&o.since, "since", "", sinceHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.shop, "shop", "", "flag.shop")
	f.StringVar(&o.cart, "cart", "", "flag.cart")
	f.StringVar(&o.format, "format", "line", "flag.format")
	f.StringVarP(&o.path, "output", "o", "", "flag.output")
	return cmd
}

func (o *historyExportOptions) run(ctx context.Context, reader words.Reader, out, errOut io.Writer) (err error) {
	if (o.job == "") == (o.since == "") {
		return words.NewError("usage.one_of_two", "one", "--job", "other", "--since")
	}
	format := audit.Format(o.format)
	if format != audit.LineProtocol && format != audit.CSV {
		return fmt.Errorf("--format: %w", words.NewError("usage.not_listed", "typed", o.format, "choices", "line, csv"))
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
		p.report(float64(upToNs-sinceNs)/float64(untilNs-sinceNs), reader.Say(fillcalc.Text{Key: "record.points", Figures: figures{"count": float64(points)}}))
	})
}
