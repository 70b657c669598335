package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// exitNoAnswer tells that nobody answered, which is not the same as refused.
const exitNoAnswer = 2

// noAnswer is that nobody answered.
type noAnswer struct{ error }

// jobOptions are what all commands have.
type jobOptions struct {
	contactFlags
	signingFlag
	id, notAfter string
	wait         time.Duration
	json         bool
}

func jobCommand() *cobra.Command {
	var o jobOptions
	cmd := &cobra.Command{
		Use:   "job",
		Short: "Send a cart a command and wait for its answer",
		Long: `Send a cart a command over MQTT and wait for its answer.

The status is 0 when it was done, 1 when it was refused, 2 when nobody answered:
then it may have been done all the same, and sent again under the same id it is
done once. A command counts until --wait has passed by the clock of the bridge's
computer: clocks that are further apart must be set right, or the wait made
longer. A figure below zero goes behind two dashes: bayfill job level -- -0.2`,
		Example: `  export BAYFILL_BROKER=tcp://bay-box:1883 BAYFILL_SHOP=hilltop BAYFILL_CART=bay2
  export BAYFILL_USERNAME=technician BAYFILL_PASSWORD_FILE=~/technician.password
  bayfill job open --vehicle van --fluid "amber 6" --low-c 35 --high-c 45
  bayfill job phase draining
  bayfill job decide 2 object
  bayfill job close`,
		Args: cobra.NoArgs,
	}
	f := cmd.PersistentFlags()
	o.contactFlags.add(f)
	o.signingFlag.add(f)
	f.DurationVar(&o.wait, "wait", 10*time.Second, "how long to wait, and how long the command counts")
	f.StringVar(&o.id, "id", "", "the command's id: the one of an earlier try sends that again (default: a new one)")
	f.StringVar(&o.notAfter, "not-after", "", "until when it counts, with --id: as the earlier try has said (default: for --wait)")
	f.BoolVar(&o.json, "json", false, "print the answer as JSON")

	for i := range wire.Commands {
		c := &wire.Commands[i]
		cmd.AddCommand(o.command(c.Do, c, nil))
	}
	for name, s := range shortcuts {
		c := s.command()
		cmd.AddCommand(o.command(name, &c, s.sets))
	}
	cmd.AddCommand(o.showCommand())
	return cmd
}

// shortcuts enter one kind of thing under its own name.
var shortcuts = map[string]shortcut{
	"level":    {"Enter litres that were missing before the service", "l", []string{"u_l"}, map[string]any{"what": "level"}},
	"bottle":   {"Enter a bottle of so many litres poured in unweighed", "l", []string{"share"}, map[string]any{"what": "bottle", "share": 1}},
	"dipstick": {"Enter a reading: 0 is the lower mark, 1 the upper one", "share", nil, map[string]any{"what": "dipstick"}},
}

type shortcut struct {
	short string
	word  string
	flags []string
	sets  map[string]any // unless said otherwise
}

// command is that part of enter.
func (s shortcut) command() wire.CommandType {
	enter, _ := wire.CommandNamed("enter") // there is one
	c := wire.CommandType{Do: enter.Do, About: s.short, Words: []string{s.word}}
	for _, name := range append([]string{s.word}, s.flags...) {
		f := *enter.MustField(name)
		f.Required = name == s.word
		c.Fields = append(c.Fields, f)
	}
	return c
}

// about says what a field is for, and what it may hold.
func about(f *wire.Field) string {
	if f.Choices == nil {
		return f.About
	}
	return strings.TrimSuffix(f.About, ".") + " (" + strings.Join(f.Choices, ", ") + ")"
}

// command makes one command: fields as bare words, fields as flags, and fields
// that are set unless one of these says otherwise.
func (o *jobOptions) command(name string, c *wire.CommandType, sets map[string]any) *cobra.Command {
	use, long, minWords := name, c.About, 0
	for _, word := range c.Words {
		f := c.MustField(word)
		if f.Required {
			minWords++
			use += " " + strings.ToUpper(word)
		} else {
			use += " [" + strings.ToUpper(word) + "]"
		}
		long += "\n\n" + strings.ToUpper(word) + ": " + about(f)
	}
	cmd := &cobra.Command{
		Use: use, Short: strings.TrimSuffix(c.About, "."), Long: long,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) < minWords || len(args) > len(c.Words) {
				return fmt.Errorf("%d words: say bayfill job %s", len(args), use)
			}
			return nil
		},
	}
	flags := addFlags(cmd, c)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		message := maps.Clone(sets)
		if message == nil {
			message = map[string]any{}
		}
		message["do"] = c.Do
		set := func(said, field, text string) (err error) {
			if message[field], err = value(c.MustField(field), text); err != nil {
				return fmt.Errorf("%s: %w", said, err)
			}
			return nil
		}
		for i, text := range args {
			if err := set(c.Words[i], c.Words[i], text); err != nil {
				return err
			}
		}
		for flag, field := range flags {
			if cmd.Flags().Changed(flag) {
				if err := set("--"+flag, field, cmd.Flags().Lookup(flag).Value.String()); err != nil {
					return err
				}
			}
		}
		if len(args) == 2 && message["what"] == "dipstick" {
			// Its figure is no volume.
			message["share"] = message["l"]
			delete(message, "l")
		}
		return o.send(cmd, message)
	}
	return cmd
}

// addFlags makes a flag of each field that is no bare word, and returns the fields by
// their flags. Of the envelope only the sender is the person's to choose here.
func addFlags(cmd *cobra.Command, c *wire.CommandType) map[string]string {
	flags := map[string]string{}
	add := func(f *wire.Field) {
		if slices.Contains(c.Words, f.Name) {
			return
		}
		flag := strings.ReplaceAll(f.Name, "_", "-")
		flags[flag] = f.Name
		if f.Kind == wire.KindFlag {
			cmd.Flags().Bool(flag, false, about(f))
		} else {
			cmd.Flags().String(flag, "", about(f))
		}
	}
	add(c.MustField("by"))
	for i := range c.Fields {
		add(&c.Fields[i])
	}
	return flags
}

// value reads a field as a person writes it.
func value(f *wire.Field, text string) (any, error) {
	switch f.Kind {
	case wire.KindNumber:
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || v-v != 0 {
			return nil, fmt.Errorf("%q is not a number", text)
		}
		return v, nil
	case wire.KindWhole:
		n, err := strconv.Atoi(text)
		if err != nil {
			return nil, fmt.Errorf("%q is not a whole number", text)
		}
		return n, nil
	case wire.KindFlag:
		return text == "true", nil // the flag has been read as one
	}
	return text, nil
}

// open connects; a broker that lets nobody in is another thing than one that
// does not answer.
func (o *jobOptions) open(ctx context.Context) (*station, error) {
	c, err := o.contact()
	if err != nil {
		return nil, err
	}
	if c.signer, err = o.signer(); err != nil {
		return nil, err
	}
	s, err := openStation(ctx, c)
	switch {
	case mqtt.LoginRefused(err):
		return nil, fmt.Errorf("%w: see to --username and --password-file; nothing was sent", err)
	case err != nil:
		return nil, noAnswer{fmt.Errorf("%w: nothing was sent", err)}
	}
	return s, nil
}

func (o *jobOptions) send(cmd *cobra.Command, message map[string]any) error {
	ctx, cancel := context.WithTimeout(cmd.Context(), o.wait)
	defer cancel()
	notAfter := o.notAfter
	if notAfter == "" {
		notAfter = time.Now().Add(o.wait).UTC().Format(time.RFC3339Nano)
	}
	id := o.id
	if id == "" {
		id = "job-" + rand.Text()
	}
	message["id"], message["not_after"] = id, notAfter
	s, err := o.open(ctx)
	if err != nil {
		return err
	}
	defer s.close()
	r, err := s.ask(ctx, message)
	if err != nil {
		return noAnswer{fmt.Errorf("no answer within %v: %s The command may have been done all the same: send it again with --id %s --not-after %s",
			o.wait, o.whyNoAnswer(s.look()), id, notAfter)}
	}
	out := cmd.OutOrStdout()
	if o.json {
		if err := json.NewEncoder(out).Encode(r); err != nil {
			return err
		}
	}
	switch {
	case !r.OK:
		return errors.New(printable(r.Error))
	case o.json:
	case r.Job == "":
		fmt.Fprintln(out, "done")
	default:
		fmt.Fprintf(out, "done, job %s\n", printable(r.Job))
	}
	return nil
}

// whyNoAnswer says what the cart's presence tells.
func (o *jobOptions) whyNoAnswer(s shown) string {
	cart := "cart " + o.shop + "/" + o.cart
	switch {
	case s.trouble != "":
		return "the connection is lost, " + s.trouble + "."
	case s.presenceAt.IsZero():
		return "the broker knows nothing of " + cart + " that this user may read: are --shop and --cart right?"
	case !s.presence.Online:
		return cart + " is offline, is its bridge running?"
	}
	return cart + " is online, may user " + strconv.Quote(o.username) + " command?"
}

// showCommand prints how the job stands.
func (o *jobOptions) showCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show",
		Short: "Show how the job stands",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), o.wait)
			defer cancel()
			s, err := o.open(ctx)
			if err != nil {
				return err
			}
			defer s.close()
			// The last retained leaf comes with the others, in no order.
			now := s.look()
			for !now.complete() {
				select {
				case <-ctx.Done():
					return noAnswer{fmt.Errorf("no job was shown within %v: %s", o.wait, o.whyNoAnswer(now))}
				case <-time.After(20 * time.Millisecond):
				}
				now = s.look()
			}
			out := cmd.OutOrStdout()
			if o.json {
				return json.NewEncoder(out).Encode(map[string]any{"presence": now.presence, "volumes": now.volumes,
					"window": now.window, "job": now.job, "alerts": now.alerts})
			}
			width := 78
			if f, ok := out.(*os.File); ok {
				if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
					width = w
				}
			}
			for _, line := range watchLines(now, o.shop+"/"+o.cart, time.Now(), width) {
				fmt.Fprintln(out, line)
			}
			return nil
		},
	}
}

// complete tells whether each state leaf has come.
func (s shown) complete() bool {
	return !s.presenceAt.IsZero() && s.volumes.TS != "" && s.window.TS != "" && s.job.TS != "" && s.alerts.TS != ""
}
