// Command bayfill is a workshop sensor bridge for measured fill: scale and
// probe in, drained and added volumes out on MQTT.
//
// Each file is a subcommand: its flags, its wiring, its exit status. What it does is in
// the packages below bridge. main waits for the command, and a command waits for
// everything that it started; the first signal asks for a clean stop, a second one ends
// the process.
//
// The exit status is 0 when the command did what it says, 78 when only an operator can
// mend what is wrong (a configuration, a flag), 2 when there is no such command, "job" got
// no answer or "audit" could not be made for whatever reason, else 1; "audit job" has more,
// which its help lists.
//
// In reading order: run.go, demo.go with stage.go and technician.go, station.go (a person's side of
// the contract) with job.go, watch.go and board.go, then the others. reader.go says in which
// language and units a command prints, entered.go what a person types, helpwords.go what
// each word means, speak.go how the help is said, helptopics.go the reference.
package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"bayfill/bridge/build"
	"bayfill/bridge/config"
)

// exitConfig is the exit status by which a service manager knows that a restart will not
// help.
const exitConfig = 78

// configError is an error that only the operator can fix.
type configError struct{ error }

func (e configError) Unwrap() error { return e.error }

func main() {
	// The first signal asks for a clean stop. That removes the handler, so the second one
	// ends the process.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// rootCommand has all subcommands.
func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:           "bayfill",
		Short:         "help.root",
		Version:       build.Current().String(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.AddCommand(runCommand(), checkCommand(), portsCommand(), listenCommand(), calibrateCommand(), simCommand(), demoCommand(), studyCommand(), budgetCommand(), serviceDataCommand(), jobCommand(), watchCommand(), schemaCommand(), boardCommand(), doctorCommand(), auditCommand(), ticketCommand(), stockCommand(), historyCommand(), versionCommand(), manualCommand())
	root.InitDefaultHelpCmd()
	if help, _, err := root.Find([]string{"help"}); err == nil {
		help.Short, help.Long = "help.help", ""
		help.Flags().String("lang", "", "flag.lang")
		help.AddCommand(append(topicCommands(), helpWordsCommand())...)
	}
	root.SetFlagErrorFunc(flagError)
	countWords(root)
	complete(root)
	return root
}

// run is the whole program; it returns the exit status.
func run(ctx context.Context, args []string, in io.Reader, out, errors io.Writer) int {
	reader := helpReader(args)
	if len(args) == 0 {
		firstWords(out, reader)
		return 0
	}
	root := rootCommand()
	speak(root, reader)
	root.SetArgs(negatives(args))
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errors)
	command, err := root, misspelt(root, args, reader)
	if err == nil {
		command, err = root.ExecuteContextC(ctx)
	}
	if err == nil {
		return 0
	}
	said := err
	if mend, is := err.(configError); is {
		said = mend.error
	}
	for _, fault := range config.Faults(said) {
		fmt.Fprintln(errors, "bayfill:", reader.Fault(fault))
	}
	return exitStatus(command, err)
}

// exitStatus returns the exit status of a command that ended with an error.
func exitStatus(command *cobra.Command, err error) int {
	verdict, judged := err.(notPassed)
	_, audited := err.(notAudited)
	_, mend := err.(configError)
	_, usage := err.(usageError)
	_, silent := err.(noAnswer)
	switch {
	case judged:
		return verdict.status
	case audited, command.HasParent() && command.Parent().Name() == auditName:
		return exitNotAudited // every other status says something about the job
	case mend:
		return exitConfig
	case usage:
		return exitUsage
	case silent:
		return exitNoAnswer
	}
	return 1
}

// newLog logs to standard error. Under journald, which adds the time itself, it leaves the
// time out.
func newLog(level slog.Level) *slog.Logger {
	options := &slog.HandlerOptions{Level: level}
	if os.Getenv("JOURNAL_STREAM") != "" {
		options.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(os.Stderr, options))
}
