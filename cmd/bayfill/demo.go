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
	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
)

// demoSpeed shows a job of about a quarter of an hour in less than a minute.
const demoSpeed = 20

type demoOptions struct {
	readerFlags
	realTime bool
	json     bool
	board    bool
	chapter  string
	with     string
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

// What --with may be: how the calibration of the caddy's scale is.
const (
	withOverdue      = "overdue"
	withUncalibrated = "uncalibrated"
)

func demoCommand() *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "help.demo",
		Long:  "help.demo_more",
		Example: `  bayfill demo
  bayfill demo --units us --lang es
  bayfill demo --chapter drain
  bayfill demo --with uncalibrated`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	cmd.AddCommand(demoFleetCommand())
	f := cmd.Flags()
	o.readerFlags.add(f)
	f.BoolVar(&o.realTime, "real-time", false, "flag.real-time")
	f.BoolVar(&o.json, "json", false, "flag.json_demo")
	f.BoolVar(&o.board, "board", false, "flag.board")
	f.StringVar(&o.chapter, "chapter", "", "flag.chapter")
	f.StringVar(&o.with, "with", "", "flag.with")
	apart(cmd, "json", "board")
	apart(cmd, "json", "chapter")
	f.Uint64Var(&o.seed, "seed", 1, "flag.seed")
	f.StringVar(&o.dir, "dir", "", "flag.dir_demo")
	f.StringVar(&o.broker, "broker", "", "flag.broker_demo")
	f.StringVar(&o.username, "username", "", "flag.username_demo")
	f.StringVar(&o.passwordEnv, "password-env", "", "flag.password-env")
	f.StringVar(&o.influxURL, "influx-url", "", "flag.influx-url_demo")
	f.StringVar(&o.influxOrg, "influx-org", "", influxOrgHelp)
	f.StringVar(&o.influxBucket, "influx-bucket", "bayfill", influxBucketHelp)
	f.StringVar(&o.influxTokenEnv, "influx-token-env", "", influxTokenHelp)
	return cmd
}

func (o *demoOptions) run(ctx context.Context, out io.Writer) (err error) {
	if err := o.check(); err != nil {
		return err
	}
	dir, err := prepareFolder(o.dir, demoFolder())
	if err != nil {
		return err
	}
	r, err := o.reader("")
	if err != nil {
		return err
	}
	stage, err := newStage(o.start(time.Now().Truncate(time.Second)), o.seed)
	if err != nil {
		return err
	}
	// From here on the rig must run, because only Serve closes its ports. Everything ends
	// with ctx, the rig last: otherwise the bridge would see its ports vanish.
	ctx, stop := context.WithCancel(ctx)
	rigCtx, stopRig := context.WithCancel(context.WithoutCancel(ctx))
	var rigRuns, bridgeRuns sync.WaitGroup // the board runs with the bridge
	var rigErr, bridgeErr, boardErr error
	rigRuns.Go(func() { rigErr = stage.rig.Serve(rigCtx) })
	defer func() {
		stop()
		bridgeRuns.Wait()
		stopRig()
		rigRuns.Wait()
		err = errors.Join(err, boardErr, bridgeErr, rigErr)
	}()

	config, to, err := o.config(dir, time.Unix(0, stage.clock.NowNs()))
	if err != nil {
		return err
	}
	b, err := bridge.New(ctx, config, bridge.Options{Log: newLog(slog.LevelError), Clock: stage.clock, Open: stage.open})
	if err != nil {
		return err
	}
	bridgeRuns.Go(func() { bridgeErr = b.Run(ctx) })
	to.broker.URLs = []string{b.BrokerURL()}
	if err := stage.begin(ctx, b); err != nil {
		return err
	}
	v := newView(out, r, o.json)
	v.intro(to, dir, o.broker == "")
	if o.board {
		page, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		bridgeRuns.Go(func() { boardErr = board.Run(ctx, to.page(r), page) })
		v.print(v.reader.Say(fillcalc.Text{Key: "usage.board_at", Names: names{"url": fmt.Sprintf("http://%s/cart/%s", page.Addr(), demoCart)}}))
		v.print("")
	}
	return o.play(ctx, v, stage, to, dir)
}

// start is when the job begins by the demo's clock: now for who looks on, and otherwise so
// long ago that it has ended when the demo has.
func (o *demoOptions) start(now time.Time) time.Time {
	if o.realTime || o.board {
		return now
	}
	return now.Add(-time.Hour)
}

// check checks the flags that name something.
func (o *demoOptions) check() error {
	if o.with != "" && o.with != withOverdue && o.with != withUncalibrated {
		return configError{fmt.Errorf("--with: %w", words.NewError("usage.not_listed", "typed", o.with, "choices", withOverdue+", "+withUncalibrated))}
	}
	known := o.chapter == "" || o.chapter == auditChapter
	for _, c := range (&technician{}).chapters() {
		known = known || o.chapter == c.name
	}
	if !known {
		return configError{fmt.Errorf("--chapter: %w", words.NewError("usage.not_listed", "typed", o.chapter, "choices", "drain, fill, check, audit"))}
	}
	return nil
}

// speed is how fast the demo is shown: as fast as the computer can to what is no screen.
func (o *demoOptions) speed(v *view) float64 {
	switch {
	case o.realTime:
		return 1
	case v.live || o.board:
		return demoSpeed
	}
	return 0
}

// play does the job on the running bridge and prints it.
func (o *demoOptions) play(ctx context.Context, v *view, stage *stage, to contact, dir string) (err error) {
	if stage.station, err = openStation(ctx, to); err != nil {
		return err
	}
	defer stage.station.close()
	t := &technician{stage: stage, reader: v.reader, say: v.say, show: v.show}
	ended := false
	begin := func(chapter string) bool {
		v.hidden = o.chapter != "" && chapter != o.chapter
		ended = ended || v.hidden && v.chapters > 0
		stage.pace.set(0, 0)
		if !v.hidden {
			v.chapter(chapter)
			stage.pace.set(o.speed(v), stage.clock.Elapsed())
		}
		return !ended
	}
	if err := t.job(ctx, begin); err != nil || !begin(auditChapter) {
		return err
	}
	err = o.result(ctx, v, newAccount(stage.station.look(), stage.rig.Truth()), dir)
	if err != nil || !o.board {
		return err
	}
	v.print(v.reader.Word("demo.board_goes_on"))
	for err == nil {
		err = stage.step(ctx, 200*time.Millisecond)
	}
	return nil
}

// demoFolder is where a demo leaves what it has made.
func demoFolder() string { return filepath.Join(os.TempDir(), "bayfill-demo") }

// prepareFolder returns the folder to use: the default one without the data of an earlier
// demo, or another one, which must not hold any.
func prepareFolder(dir, byDefault string) (string, error) {
	data := filepath.Join(dir, "data")
	if dir == "" {
		dir = byDefault
		return dir, errors.Join(os.RemoveAll(filepath.Join(dir, "data")), os.MkdirAll(dir, 0o700))
	}
	if _, err := os.Stat(data); err == nil {
		return "", configError{words.NewError("usage.folder_full", "path", data)}
	}
	return dir, os.MkdirAll(dir, 0o700)
}

// page is a board with buttons for the demo's cart.
func (c *contact) page(r words.Reader) board.Config {
	return board.Config{Brokers: c.broker.URLs, Username: c.broker.Username, Password: c.broker.Password, Shop: demoShop, MayCommand: true, Reader: r}
}

// config writes the configuration of the bridge and the calibrations, and returns what the
// technician connects with; the broker's address is not known yet.
func (o *demoOptions) config(dir string, now time.Time) (*config.Config, contact, error) {
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
	text := []byte(workshopConfig(dir, broker, history, 1))
	if err := os.WriteFile(filepath.Join(dir, configName), text, 0o600); err != nil {
		return nil, contact{}, err
	}
	config, err := config.Parse(text)
	if err != nil {
		return nil, contact{}, err
	}
	return config, to, calibrateBench(config, now, o.with)
}

// result audits the job in the journal, and prints what was measured beside the truth.
func (o *demoOptions) result(ctx context.Context, v *view, a account, dir string) error {
	path := filepath.Join(dir, "data", demoCart+".journal")
	record, err := audit.FromJournal(ctx, path, demoShop, demoCart, a.Job, 0)
	if err != nil {
		return err
	}
	source := jobSource{journal: path}
	trust, err := source.trust(ctx, demoCart, v.reader, io.Discard)
	if err != nil {
		return err
	}
	report := audit.Check(record, trust)
	verdict := audit.Judge(report, fillcalc.DefaultToleranceL, v.reader)
	a.SameAndComplete, a.Verdict = report.SameAndComplete(), verdict.Outcome
	ticket := filepath.Join(dir, "job-ticket.html")
	err = writeFile(ticket, func(w io.Writer) error {
		return audit.WriteTicket(w, record, report, fillcalc.DefaultToleranceL, v.reader)
	})
	if err != nil {
		return err
	}
	if o.json {
		return json.NewEncoder(v.out).Encode(a)
	}
	a.print(v)
	v.print(v.reader.Word("demo.audit"))
	v.verdict(report, verdict)
	v.print(v.reader.Word("demo.means_" + string(verdict.Outcome)))
	v.print("")
	v.print(v.reader.Say(fillcalc.Text{Key: "demo.ticket", Names: names{"file": ticket}}))
	v.print(v.reader.Word("demo.look_again"))
	fmt.Fprintf(v.out, "\n  export BAYFILL_CONFIG=%[1]s\n  %[2]s audit job %[3]s\n  %[2]s ticket %[3]s --output ticket.html\n  %[2]s stock\n\n",
		filepath.Join(dir, configName), invocation(), a.Job)
	v.print(v.reader.Word("caution.used_oil"))
	return nil
}
