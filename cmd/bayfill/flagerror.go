package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/typo"
)

// flagError says in plain words what is wrong with a flag, and what would be right.
func flagError(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return fmt.Errorf("-%s: %s has no such flag: see %s --help", unknown.GetSpecifiedShortnames(), cmd.CommandPath(), cmd.CommandPath())
	case errors.As(err, &unknown):
		name := unknown.GetSpecifiedName()
		var known []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { known = append(known, f.Name) })
		hint := "see " + cmd.CommandPath() + " --help"
		if near := typo.Nearest(name, known); near != "" {
			hint = "did you mean --" + near + "?"
		}
		return fmt.Errorf("--%s: %s has no such flag: %s", name, cmd.CommandPath(), hint)
	case errors.As(err, &empty):
		return fmt.Errorf("--%s: its value is missing", empty.GetSpecifiedName())
	case errors.Is(err, errTwice) && errors.As(err, &invalid):
		return fmt.Errorf("--%s: %w", invalid.GetFlag().Name, errTwice)
	case errors.As(err, &invalid):
		wanted := map[string]string{"duration": "a time, such as 10s or 2m", "bool": "true or false"}[invalid.GetFlag().Value.Type()]
		if wanted == "" {
			wanted = "a number, such as 1"
		}
		return fmt.Errorf("--%s: %.40q is not %s", invalid.GetFlag().Name, invalid.GetValue(), wanted)
	}
	return err
}

// negatives replaces the minus of a number by that of typography, so that no number below
// zero is taken for a flag. Whatever reads a number knows both.
func negatives(args []string) []string {
	if len(args) == 0 || args[0] != "job" {
		return args
	}
	list := make([]string, len(args))
	for i, arg := range args {
		list[i] = arg
		if rest, minus := strings.CutPrefix(arg, "-"); minus && strings.IndexAny(rest, "0123456789.") == 0 {
			list[i] = "−" + rest
		}
	}
	return list
}
