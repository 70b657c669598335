package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// exitNoAnswer is the exit status when nobody answered, which is not the same as a
// refusal (1).
const exitNoAnswer = 2

// noAnswer is the error that nobody answered.
type noAnswer struct{ error }

func (e noAnswer) Unwrap() error { return e.error }

// jobOptions are the flags of all subcommands of job.
type jobOptions struct {
	contactFlags
	signingFlag
	readerFlags
	id, notAfter string
	wait         time.Duration
	json         bool
}

func jobCommand() *cobra.Command {
	var o jobOptions
	cmd := &cobra.Command{
		Use:   "job",
		Short: "help.job",
		Long:  "help.job_more",
		Example: `  export BAYFILL_BROKER=tcp://box:1883 BAYFILL_SHOP=hilltop BAYFILL_CART=bay2
  export BAYFILL_USERNAME=technician BAYFILL_PASSWORD_FILE=~/technician.password
  bayfill job open --vehicle van --fluid "amber 6" --low-c "95 F" --high-c "113 F"
  bayfill job phase draining
  bayfill job enter spilled "3 fl oz"
  bayfill job record torque done --applied "165 in-lb"
  bayfill job show --units us --lang es
  bayfill job clear
  bayfill job close --why "it is filled tomorrow"`,
		Args: cobra.NoArgs,
	}
	f := cmd.PersistentFlags()
	o.contactFlags.add(f)
	o.signingFlag.add(f)
	o.readerFlags.add(f)
	f.DurationVar(&o.wait, "wait", 10*time.Second, "flag.wait")
	f.StringVar(&o.id, "id", "", "flag.id")
	f.StringVar(&o.notAfter, "not-after", "", "flag.not-after")
	f.BoolVar(&o.json, "json", false, "flag.json_job_b")

	for i := range wire.Commands {
		c := &wire.Commands[i]
		cmd.AddCommand(o.command(c.Do, c, nil))
	}
	for name, s := range shortcuts {
		c := s.command()
		cmd.AddCommand(o.command(name, &c, s.defaults))
	}
	cmd.AddCommand(o.showCommand())
	return cmd
}

// failure is an error in a reader's words.
func failure(r words.Reader, key string, n names) error {
	return errors.New(printable(r.Say(fillcalc.Text{Key: key, Names: n})))
}

// open connects to the broker. A broker that rejects the user is not the same error as
// one that does not answer. What is said then is under the key unconnected: a command adds that
// nothing was sent.
func (o *jobOptions) open(ctx context.Context, unconnected string) (*station, error) {
	reader, err := o.reader("")
	if err != nil {
		return nil, err
	}
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
		return nil, failure(reader, "term.login_refused", names{"reason": reader.Fault(err)})
	case err != nil:
		return nil, noAnswer{failure(reader, unconnected, names{"reason": reader.Fault(err)})}
	}
	return s, nil
}

func (o *jobOptions) send(cmd *cobra.Command, e *entries) error {
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
	e.message["id"], e.message["not_after"] = id, notAfter
	s, err := o.open(ctx, "term.not_sent")
	if err != nil {
		return err
	}
	defer s.close()
	reader, err := o.readerAt(ctx, s, e.bare())
	if err != nil {
		return err
	}
	e.complete(reader.Units)
	r, err := s.ask(ctx, e.message)
	if err != nil {
		return noAnswer{failure(reader, "term.no_answer", names{"wait": o.wait.String(), "why": o.whyNoAnswer(reader, s.look()), "id": id, "until": notAfter})}
	}
	if err := o.printReply(cmd.OutOrStdout(), reader, e, r); err != nil || o.json {
		return err
	}
	for _, line := range e.understood(reader, r.Understood) {
		fmt.Fprintln(cmd.OutOrStdout(), printable(line))
	}
	return nil
}

// readerAt returns who reads the answer. If needed, it waits until the cart has said in which
// units its shop reads.
func (o *jobOptions) readerAt(ctx context.Context, s *station, needed bool) (words.Reader, error) {
	for needed && o.units == "" && s.look().about.ShopUnits == "" {
		select {
		case <-ctx.Done():
			reader, err := o.reader("")
			if err == nil {
				err = failure(reader, "term.no_units", nil)
			}
			return words.Reader{}, noAnswer{err}
		case <-time.After(20 * time.Millisecond):
		}
	}
	return o.reader(s.look().about.ShopUnits)
}

// printReply prints the answer; that of a refused command is an error.
func (o *jobOptions) printReply(out io.Writer, reader words.Reader, e *entries, r wire.Reply) error {
	if o.json {
		if err := json.NewEncoder(out).Encode(r); err != nil {
			return err
		}
	}
	switch {
	case r.Refused != nil:
		err := e.refused(reader, &r)
		if r.Insist {
			err = fmt.Errorf("%w %s", err, reader.Word("term.insist"))
		}
		return err
	case !r.OK:
		return errors.New(printable(e.named(r.Error)))
	case o.json:
	case r.Job == "":
		fmt.Fprintln(out, reader.Word("term.done"))
	default:
		fmt.Fprintln(out, printable(reader.Say(fillcalc.Text{Key: "term.done_job", Names: names{"job": r.Job}})))
	}
	return nil
}

// whyNoAnswer says to a reader what the cart's presence suggests.
func (o *jobOptions) whyNoAnswer(r words.Reader, s shown) string {
	key := "term.why_right"
	switch {
	case s.trouble != nil:
		key = "term.why_lost"
	case s.presenceAt.IsZero():
		key = "term.why_unknown"
	case !s.presence.Online:
		key = "term.why_offline"
	case !s.beats.Live(time.Now()):
		key = "term.why_cut_off"
	}
	return r.Say(fillcalc.Text{Key: key, Names: names{"cart": o.shop + "/" + o.cart, "reason": r.Fault(s.trouble), "user": o.username}})
}
