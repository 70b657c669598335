package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
)

// showCommand prints the state of the cart and its job.
func (o *jobOptions) showCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "show",
		Short:   "help.job_show",
		Long:    "help.job_show_more",
		Example: "  bayfill job show --units us",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.show(cmd.Context(), cmd.OutOrStdout())
		},
	}
}

func (o *jobOptions) show(ctx context.Context, out io.Writer) error {
	ctx, cancel := context.WithTimeout(ctx, o.wait)
	defer cancel()
	s, err := o.open(ctx, "term.not_connected")
	if err != nil {
		return err
	}
	defer s.close()
	// Retained leaves arrive in no fixed order.
	now := s.look()
	for ctx.Err() == nil && !now.settled(time.Now()) {
		select {
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
		}
		now = s.look()
	}
	r, err := o.reader(now.about.ShopUnits)
	if err != nil {
		return err
	}
	if !now.complete() {
		return noAnswer{failure(r, "term.not_shown", names{"wait": o.wait.String(), "why": o.whyNoAnswer(r, now)})}
	}
	if o.json {
		return json.NewEncoder(out).Encode(map[string]any{"live": now.presence.Online && now.beats.Live(time.Now()), "presence": now.presence, "volumes": now.volumes,
			"window": now.window, "job": now.job, "alerts": now.alerts})
	}
	for _, row := range watchRows(now, r, o.shop+"/"+o.cart, time.Now(), terminalWidth(out)) {
		fmt.Fprintln(out, row.text)
	}
	return nil
}

// complete says whether every leaf with the state has arrived.
func (s shown) complete() bool {
	return !s.presenceAt.IsZero() && s.volumes.TS != "" && s.window.TS != "" && s.job.TS != "" && s.alerts.TS != ""
}
