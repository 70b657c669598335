package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

type historyKeepOptions struct {
	from                 historyFlags
	since, until, bucket string
}

func historyKeepCommand(lang *languageFlag) *cobra.Command {
	var o historyKeepOptions
	cmd := &cobra.Command{
		Use:     "keep",
		Short:   "help.history_keep",
		Example: "  bayfill history keep --since 7d --to-bucket audit",
		Long:    "help.history_keep_more",
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
	f.StringVar(&o.since, "since", "7d", sinceHelp)
	f.StringVar(&o.until, "until", "0d", untilHelp)
	f.StringVar(&o.bucket, "to-bucket", "", "flag.to-bucket")
	return cmd
}

func (o *historyKeepOptions) run(ctx context.Context, reader words.Reader, out, errOut io.Writer) error {
	if o.bucket == "" {
		return words.NewError("usage.missing_flag", "flag", "--to-bucket")
	}
	history, err := o.from.history()
	if err != nil {
		return err
	}
	sinceNs, untilNs, err := period(o.since, o.until, time.Now())
	if err != nil {
		return err
	}
	if o.bucket == history.Bucket {
		return words.NewError("usage.same_bucket", "typed", o.bucket)
	}
	store, err := audit.OpenStore(history)
	if err != nil {
		return err
	}
	defer store.Close()
	history.Bucket = o.bucket
	to, err := audit.OpenStore(history)
	if err != nil {
		return err
	}
	defer to.Close()
	p, jobs := newProgress(errOut), 0
	err = store.Keep(ctx, to, sinceNs, untilNs, func(done, of int) {
		jobs = done
		p.report(float64(done)/float64(of), reader.Say(fillcalc.Text{Key: "record.jobs_of", Figures: figures{"count": float64(done), "of": float64(of)}}))
	})
	p.end()
	fmt.Fprintln(out, reader.Say(fillcalc.Text{Key: "record.kept", Figures: figures{"count": float64(jobs)}, Names: names{"bucket": o.bucket}}))
	return err
}
