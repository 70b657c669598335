package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge"
	"bayfill/bridge/audit"
	"bayfill/bridge/board"
	"bayfill/bridge/clock"
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// demoSpeed plays a job of about a quarter of an hour in less than a minute. At a higher
// speed the pauses of a busy machine would look like sensors that fall silent.
const demoSpeed = 20

type demoOptions struct {
	readerFlags
	realTime bool
	json     bool
	board    bool
	seed     uint64
	dir      string

	broker      string
	username    string
	passwordEnv string

	influxURL      string
	influxOrg      string
	influxBucket   string
	influxTokenEnv string
}

func demoCommand() *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Play a whole job on a simulated cart and compare the result with the truth",
		Long: `Play a whole job on a simulated cart and compare the result with the truth.

With --board a page with buttons shows it in a browser of this computer; the demo
then runs until Ctrl-C.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	o.readerFlags.add(f)
	f.BoolVar(&o.realTime, "real-time", false, "play at real speed (about a quarter of an hour)")
	f.BoolVar(&o.json, "json", false, "print only the result, as one JSON object")
	f.BoolVar(&o.board, "board", false, "serve a page that shows it, until Ctrl-C")
	cmd.MarkFlagsMutuallyExclusive("json", "board")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the simulated noise")
	f.StringVar(&o.dir, "dir", "", "folder for ports, configuration and journal (default: a temporary one, deleted at the end)")
	f.StringVar(&o.broker, "broker", "", "use this MQTT broker instead of an embedded one, as in tcp://127.0.0.1:1883")
	f.StringVar(&o.username, "username", "", "user on that broker")
	f.StringVar(&o.passwordEnv, "password-env", "", "environment variable with the password of that user")
	f.StringVar(&o.influxURL, "influx-url", "", "also send the history to this InfluxDB")
	f.StringVar(&o.influxOrg, "influx-org", "", influxOrgHelp)
	f.StringVar(&o.influxBucket, "influx-bucket", "bayfill", influxBucketHelp)
	f.StringVar(&o.influxTokenEnv, "influx-token-env", "", influxTokenHelp)
	return cmd
}

func (o *demoOptions) run(ctx context.Context, out io.Writer) (err error) {
	dir, remove, err := o.folder()
	if err != nil {
		return err
	}
	defer remove()
	speed := float64(demoSpeed)
	if o.realTime {
		speed = 1
	}
	clock := clock.New(time.Now().UnixNano(), speed)
	rig, err := workshop(filepath.Join(dir, "ports"), o.seed, clock.Elapsed, shopFloor{})
	if err != nil {
		return err
	}
	// From here on the rig must run, because only Run closes its ports. Everything ends
	// with ctx, the rig last: otherwise the bridge would see its ports vanish.
	ctx, stop := context.WithCancel(ctx)
	rigCtx, stopRig := context.WithCancel(context.WithoutCancel(ctx))
	var rigRuns, bridgeRuns sync.WaitGroup // the board runs with the bridge
	var rigErr, bridgeErr, boardErr error
	rigRuns.Go(func() { rigErr = rig.Run(rigCtx) })
	defer func() {
		stop()
		bridgeRuns.Wait()
		stopRig()
		rigRuns.Wait()
		err = errors.Join(err, boardErr, bridgeErr, rigErr)
	}()

	config, to, err := o.config(rig, dir)
	if err != nil {
		return err
	}
	b, err := bridge.New(ctx, config, bridge.Options{Log: newLog(slog.LevelError), Speed: speed})
	if err != nil {
		return err
	}
	bridgeRuns.Go(func() { bridgeErr = b.Run(ctx) })
	to.broker.URLs = []string{b.BrokerURL()}
	return o.play(ctx, out, rig, clock, to, config.JournalPath(demoCart), func(page net.Listener, r words.Reader) {
		bridgeRuns.Go(func() { boardErr = board.Run(ctx, to.page(r), page) })
	})
}

// play does the job on the running bridge and prints it. serve starts the board.
func (o *demoOptions) play(ctx context.Context, out io.Writer, rig *sim.Rig, clock *clock.Clock, to contact, journal string, serve func(page net.Listener, r words.Reader)) error {
	s, err := openStation(ctx, to)
	if err != nil {
		return err
	}
	defer s.close()
	r, err := o.reader("")
	if err != nil {
		return err
	}
	v := newView(out, r, o.json, clock.Speed())
	v.intro(to, o.broker == "")
	if o.board {
		page, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		serve(page, r)
		v.print(fmt.Sprintf("Board:  http://%s/cart/%s", page.Addr(), demoCart))
		v.print("")
	}
	t := &technician{rig: rig, station: s, clock: clock, reader: r, say: v.say, show: v.show}
	if err := t.job(ctx); err != nil {
		return err
	}
	err = o.result(ctx, out, v, newAccount(s.look(), rig.Truth()), journal)
	if err == nil && o.board {
		v.print(r.Word("demo.board_goes_on"))
		<-ctx.Done()
	}
	return err
}

// folder is where ports, configuration and journal are; remove deletes it when it is
// temporary.
func (o *demoOptions) folder() (dir string, remove func(), err error) {
	if o.dir != "" {
		return o.dir, func() {}, nil
	}
	dir, err = os.MkdirTemp("", "bayfill-demo-")
	return dir, func() { os.RemoveAll(dir) }, err
}

// page is a board with buttons for the demo's cart.
func (c *contact) page(r words.Reader) board.Config {
	return board.Config{Brokers: c.broker.URLs, Username: c.broker.Username, Password: c.broker.Password, Shop: demoShop, MayCommand: true, Reader: r}
}

// config is the configuration of the bridge, and what the technician connects with; the
// broker's address is not known yet.
func (o *demoOptions) config(rig *sim.Rig, dir string) (*config.Config, contact, error) {
	to := contact{broker: mqtt.Endpoint{Username: demoUser, Password: rand.Text()}, prefix: "bayfill/" + demoShop + "/" + demoCart + "/"}
	broker := ""
	if o.broker == "" {
		// Any free port: the demo must not disturb another broker.
		var err error
		if broker, err = embeddedBroker(dir, "127.0.0.1:0", to.broker.Password); err != nil {
			return nil, contact{}, err
		}
	} else {
		to.broker.Username, to.broker.Password = o.username, os.Getenv(o.passwordEnv)
		broker = fmt.Sprintf("broker:\n  url: %s\n  username: %q\n  password: {env: %q}\n", o.broker, o.username, o.passwordEnv)
	}
	history := ""
	if o.influxURL != "" {
		history = fmt.Sprintf("history:\n  url: %s\n  org: %q\n  bucket: %s\n  token: {env: %q}\n", o.influxURL, o.influxOrg, o.influxBucket, o.influxTokenEnv)
	}
	config, err := config.Parse([]byte(workshopConfig(rig, dir, broker, history)))
	return config, to, err
}

// result audits the job in the journal, and prints what was measured beside the truth.
func (o *demoOptions) result(ctx context.Context, out io.Writer, v *view, a account, journal string) error {
	record, err := audit.FromJournal(ctx, journal, demoShop, demoCart, a.Job, 0)
	if err != nil {
		return err
	}
	report := audit.Check(record)
	a.SameAndComplete = report.SameAndComplete()
	if o.json {
		return json.NewEncoder(out).Encode(a)
	}
	a.print(v)
	v.print(v.reader.Word("demo.audit"))
	printReport(out, report, audit.Judge(report, fillcalc.DefaultToleranceL, v.reader), v.reader)
	return nil
}
