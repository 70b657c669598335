package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/fillcalc"
)

type ticketOptions struct {
	jobSource
	reader     readerFlags
	output     string
	toleranceL float64
}

func ticketCommand() *cobra.Command {
	var o ticketOptions
	cmd := &cobra.Command{
		Use:   "ticket JOB",
		Short: "help.ticket",
		Long:  "help.ticket_more",
		Example: `  bayfill ticket van-8 --config bayfill.yaml --output van-8.html
  bayfill ticket van-8 --journal data/bay2.journal --units us --lang es > van-8.html`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(cmd.Context(), args[0], cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	o.add(cmd)
	o.asks = true
	cmd.Flags().Lookup("opened").Usage = "flag.opened_ticket"
	o.reader.add(cmd.Flags())
	f := cmd.Flags()
	f.StringVarP(&o.output, "output", "o", "", "flag.output")
	f.Float64Var(&o.toleranceL, "tolerance-l", fillcalc.DefaultToleranceL, "flag.tolerance-l")
	return cmd
}

func (o *ticketOptions) run(ctx context.Context, job string, out, errOut io.Writer) error {
	reader, err := o.reader.reader(o.from.units())
	if err != nil {
		return err
	}
	record, report, err := o.audited(ctx, job, reader, errOut)
	if err != nil {
		return err
	}
	write := func(w io.Writer) error {
		return audit.WriteTicket(w, record, report, o.toleranceL, reader)
	}
	if o.output == "" {
		return write(out)
	}
	return writeFile(o.output, write)
}
