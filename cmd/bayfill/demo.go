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
)

// demoSpeed plays a job of about a quarter of an hour in under a minute; faster,
// a busy machine's pauses would look like sensors that fall silent.
const demoSpeed = 20

type demoOptions struct {
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
		Short: "Play a whole job on a simulated cart and hold the result against the truth",
		Long: `Play a whole job on a simulated cart and hold the result against the truth.

With --board a page shows it, with buttons, in a browser of this computer; the demo
then ends with Ctrl-C only.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.realTime, "real-time", false, "as slowly as in life (about a quarter of an hour)")
	f.BoolVar(&o.json, "json", false, "print only the final account, as one JSON object")
	f.BoolVar(&o.board, "board", false, "serve a page of it, until Ctrl-C")
	cmd.MarkFlagsMutuallyExclusive("json", "board")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the simulated noise")
	f.StringVar(&o.dir, "dir", "", "keep ports, configuration and journal here (default: a temporary folder)")
	f.StringVar(&o.broker, "broker", "", "use this MQTT broker instead of an embedded one, as in tcp://127.0.0.1:1883")
	f.StringVar(&o.username, "username", "", "user on that broker")
	f.StringVar(&o.passwordEnv, "password-env", "", "environment variable that holds its password")
	f.StringVar(&o.influxURL, "influx-url", "", "also send the history to this InfluxDB")
	f.StringVar(&o.influxOrg, "influx-org", "", "its organisation")
	f.StringVar(&o.influxBucket, "influx-bucket", "bayfill", bucketHelp)
	f.StringVar(&o.influxTokenEnv, "influx-token-env", "", "environment variable that holds its token")
	return cmd
}

func (o *demoOptions) run(ctx context.Context, out io.Writer) (err error) {
	dir := o.dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "bayfill-demo-"); err != nil {
			return err
		}
		defer os.RemoveAll(dir)
	}
	speed := float64(demoSpeed)
	if o.realTime {
		speed = 1
	}
	clock := clock.New(time.Now().UnixNano(), speed)
	rig, err := workshop(filepath.Join(dir, "ports"), o.seed, clock.Elapsed)
	if err != nil {
		return err
	}
	// From here on the rig must run, since only that closes its ports. Everything
	// ends with ctx, the rig last: the bridge would see its ports vanish.
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

	username, password := demoUser, rand.Text()
	broker := ""
	if o.broker == "" {
		// Any free port: the demo must not disturb a broker that is there already.
		if broker, err = embeddedBroker(dir, "127.0.0.1:0", password); err != nil {
			return err
		}
	} else {
		username, password = o.username, os.Getenv(o.passwordEnv)
		broker = fmt.Sprintf("broker:\n  url: %s\n  username: %q\n  password: {env: %q}\n", o.broker, o.username, o.passwordEnv)
	}
	history := ""
	if o.influxURL != "" {
		history = fmt.Sprintf("history:\n  url: %s\n  org: %q\n  bucket: %s\n  token: {env: %q}\n", o.influxURL, o.influxOrg, o.influxBucket, o.influxTokenEnv)
	}
	config, err := config.Parse([]byte(workshopConfig(rig, dir, broker, history)))
	if err != nil {
		return err
	}
	b, err := bridge.New(ctx, config, bridge.Options{Log: newLog(slog.LevelError), Speed: speed})
	if err != nil {
		return err
	}
	bridgeRuns.Go(func() { bridgeErr = b.Run(ctx) })
	prefix := "bayfill/" + demoShop + "/" + demoCart + "/"
	s, err := openStation(ctx, contact{broker: mqtt.Endpoint{URL: b.BrokerURL(), Username: username, Password: password}, prefix: prefix})
	if err != nil {
		return err
	}
	defer s.close()

	v := newView(out, o.json, speed)
	v.intro(b.BrokerURL(), prefix, username, password, o.broker == "")
	if o.board {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		page := board.Config{Broker: b.BrokerURL(), Username: username, Password: password, Shop: demoShop, MayCommand: true}
		bridgeRuns.Go(func() { boardErr = board.Run(ctx, page, listener) })
		v.print(fmt.Sprintf("Board:  http://%s/cart/%s", listener.Addr(), demoCart))
		v.print("")
	}
	t := &technician{rig: rig, station: s, clock: clock, say: v.say, show: v.show}
	if err := t.job(ctx); err != nil {
		return err
	}
	a := newAccount(s.look(), rig.Truth())
	record, err := audit.FromJournal(ctx, config.JournalPath(demoCart), demoShop, demoCart, a.Job, 0)
	if err != nil {
		return err
	}
	report := audit.Check(record)
	a.SameAndComplete = report.SameAndComplete()
	if o.json {
		return json.NewEncoder(out).Encode(a)
	}
	a.print(v)
	v.print("Audit of the journal, a year later as it were:")
	printReport(out, report, audit.Judge(report, audit.DefaultToleranceL))
	if o.board {
		v.print("The board goes on, with no job open. Ctrl-C ends it.")
		<-ctx.Done()
	}
	return nil
}
