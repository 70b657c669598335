package main

import (
	"context"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/units"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// completer proposes words for one flag or argument, from a configuration.
type completer func(ctx context.Context, c *config.Config, cart string) []string

// fixedChoices are what flags take that no configuration knows.
func fixedChoices() map[string][]string {
	choices := map[string][]string{"chapter": {"drain", "fill", "check", auditChapter}, "with": {withOverdue, withUncalibrated}}
	for _, s := range units.Systems {
		choices["units"] = append(choices["units"], string(s))
	}
	for _, l := range words.Languages {
		choices["lang"] = append(choices["lang"], string(l.Language))
	}
	return choices
}

// complete lets a shell complete carts, sensors, fluids, jobs, phases and what else a
// command takes. What it proposes comes from the configuration that the command would use.
func complete(c *cobra.Command) {
	for flag, of := range map[string]completer{"cart": carts, "sensor": sensorNames, "fluid": fluids, "used-fluid": fluids, "job": jobs} {
		if c.Flag(flag) != nil && !(flag == "job" && c.Name() == "open") { // a new one has another name
			c.RegisterFlagCompletionFunc(flag, proposed(of)) // fails only for a flag that is not there
		}
	}
	for flag, choices := range fixedChoices() {
		if c.LocalFlags().Lookup(flag) != nil {
			c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(choices, cobra.ShellCompDirectiveNoFileComp))
		}
	}
	if command, err := wire.CommandNamed(c.Name()); err == nil && c.HasParent() && c.Parent().Name() == "job" {
		completeCommand(c, command)
	}
	if slices.Contains([]string{"audit job", "ticket", "budget"}, strings.TrimPrefix(c.CommandPath(), "bayfill ")) {
		c.ValidArgsFunction = proposed(jobs)
	}
	for _, sub := range c.Commands() {
		complete(sub)
	}
}

// completeCommand proposes the choices of a command's words and fields.
func completeCommand(c *cobra.Command, command *wire.CommandType) {
	c.ValidArgsFunction = func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args) >= len(command.Words) {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return command.MustField(command.Words[len(args)]).Choices, cobra.ShellCompDirectiveNoFileComp
	}
	for i := range command.Fields {
		f := &command.Fields[i]
		if flag := strings.ReplaceAll(f.Name, "_", "-"); f.Choices != nil && c.Flags().Lookup(flag) != nil {
			c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(f.Choices, cobra.ShellCompDirectiveNoFileComp))
		}
	}
}

// proposed reads the configuration of a command; without one nothing is proposed.
func proposed(of completer) cobra.CompletionFunc {
	return func(cmd *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
		path, cart := configDefault(), ""
		if f := cmd.Flag("config"); f != nil && f.Value.String() != "" {
			path = f.Value.String()
		}
		if f := cmd.Flag("cart"); f != nil {
			cart = f.Value.String()
		}
		c, err := config.Load(path)
		if err != nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return of(cmd.Context(), c, cart), cobra.ShellCompDirectiveNoFileComp
	}
}

func carts(_ context.Context, c *config.Config, _ string) (list []string) {
	for i := range c.Carts {
		list = append(list, c.Carts[i].Name)
	}
	return list
}

func sensorNames(_ context.Context, c *config.Config, cart string) (list []string) {
	for i := range c.Carts {
		if cart != "" && cart != c.Carts[i].Name {
			continue
		}
		for _, s := range c.Carts[i].Sensors {
			list = append(list, s.Name)
		}
	}
	return list
}

func fluids(_ context.Context, c *config.Config, _ string) (list []string) {
	for name := range c.FluidsByName() {
		list = append(list, name)
	}
	return list
}

// jobs are those that have ended, the newest first.
func jobs(ctx context.Context, c *config.Config, _ string) (list []string) {
	closings, err := configClosings(ctx, c)
	if err != nil {
		return nil
	}
	for _, s := range slices.Backward(closings) {
		if !slices.Contains(list, s.Job) {
			list = append(list, s.Job)
		}
	}
	return list
}
