package main

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayfill/bridge/typo"
	"bayfill/bridge/words"
)

// flagError says in plain words what is wrong with a flag, and what would be right.
func flagError(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return words.NewError("usage.no_flag", "flag", "-"+unknown.GetSpecifiedShortnames(), "command", cmd.CommandPath())
	case errors.As(err, &unknown):
		name := unknown.GetSpecifiedName()
		var known []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { known = append(known, f.Name) })
		key, near := "usage.no_flag", typo.Nearest(name, known)
		if near != "" {
			key = "usage.no_flag_near"
		}
		return words.NewError(key, "flag", "--"+name, "command", cmd.CommandPath(), "near", "--"+near)
	case errors.As(err, &empty):
		return words.NewError("usage.no_value", "flag", "--"+empty.GetSpecifiedName())
	case errors.Is(err, errTwice) && errors.As(err, &invalid):
		return fmt.Errorf("--%s: %w", invalid.GetFlag().Name, errTwice)
	case errors.As(err, &invalid):
		key := map[string]string{"duration": "usage.not_duration", "bool": "usage.not_bool"}[invalid.GetFlag().Value.Type()]
		return words.NewError(cmp.Or(key, "usage.not_number"), "flag", "--"+invalid.GetFlag().Name, "typed", fmt.Sprintf("%.40s", invalid.GetValue()))
	}
	return err
}

// apart refuses flags that are given together. Of the library's own check the text is in English.
func apart(cmd *cobra.Command, flags ...string) {
	before := cmd.PreRunE
	cmd.PreRunE = func(cmd *cobra.Command, args []string) error {
		var given []string
		for _, name := range flags {
			if cmd.Flags().Changed(name) {
				given = append(given, "--"+name)
			}
		}
		if len(given) > 1 {
			return words.NewError("usage.apart", "flags", strings.Join(given, ", "))
		}
		if before != nil {
			return before(cmd, args)
		}
		return nil
	}
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
