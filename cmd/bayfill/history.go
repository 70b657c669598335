package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/audit"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
	"bayfill/bridge/journal"
)

func historyCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "history",
		Short: "Take points out of the history in InfluxDB, and fill it again from journals",
	}
	cmd.AddCommand(historyExportCommand(), historyFillCommand(), historyKeepCommand(), historyRefusedCommand(), historyEraseCommand())
	return cmd
}

func historyExportCommand() *cobra.Command {
	var from historyFlags
	var job, opened, since, until, shop, cart, format, path string
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Write a job, or all points of a range of time, as line protocol or CSV",
		Long: `Write a job, or all points of a range of time, as line protocol, which any
InfluxDB takes again, or as CSV with a row for each field. How far it has got is
told on standard error.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if (job == "") == (since == "") {
				return errors.New("either --job or --since is needed")
			}
			if format != string(audit.LineProtocol) && format != string(audit.CSV) {
				return fmt.Errorf("--format: %q is not line or csv", format)
			}
			history, err := from.history()
			if err != nil {
				return err
			}
			store, err := audit.OpenStore(history)
			if err != nil {
				return err
			}
			defer store.Close()
			out := cmd.OutOrStdout()
			if path != "" {
				file, err := os.Create(path)
				if err != nil {
					return err
				}
				defer func() { err = errors.Join(err, file.Close()) }()
				out = file
			}
			buffered := bufio.NewWriter(out)
			defer func() { err = errors.Join(err, buffered.Flush()) }()
			if job != "" {
				record, err := from.record(cmd.Context(), job, "", "", "", opened)
				if err != nil {
					return err
				}
				return record.Write(buffered, audit.Format(format))
			}
			fromNs, err := momentNs(since, time.Now())
			if err != nil {
				return fmt.Errorf("--since: %w", err)
			}
			toNs, err := momentNs(until, time.Now())
			if err != nil {
				return fmt.Errorf("--until: %w", err)
			}
			p := newProgress(cmd.ErrOrStderr())
			defer p.end()
			return store.Export(cmd.Context(), shop, cart, fromNs, toNs, audit.Format(format), buffered, func(upToNs int64, points int) {
				p.tell(float64(upToNs-fromNs)/float64(toNs-fromNs), fmt.Sprintf("%d points", points))
			})
		},
	}
	from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&job, "job", "", "a job, the newest of that name")
	f.StringVar(&opened, "opened", "", "of several jobs of that name the one opened then, as the audit writes it")
	f.StringVar(&since, "since", "", "from here on: so many days ago, or a date in UTC as in 2026-01-31")
	f.StringVar(&until, "until", "0d", "and before then (default: now)")
	f.StringVar(&shop, "shop", "", "only this shop")
	f.StringVar(&cart, "cart", "", "only this cart")
	f.StringVar(&format, "format", "line", "line or csv")
	f.StringVarP(&path, "output", "o", "", "file (default: standard output)")
	return cmd
}

func historyFillCommand() *cobra.Command {
	var to historyFlags
	var journal, shop, cart string
	cmd := &cobra.Command{
		Use:   "fill",
		Short: "Send journals to the history again: to an empty one, or to fill its holes",
		Long: `Send all that the journals of the configuration's carts keep, or one journal file,
to the history. A point that is there already is replaced by itself, so that
nothing is doubled, and an interrupted run is simply repeated. The bridge may be
running: journals are only read. How far it has got is told on standard error.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			type source struct{ shop, cart, path string }
			var sources []source
			switch {
			case journal != "":
				if shop == "" {
					return errors.New("--shop: a journal does not say of which shop it is")
				}
				if cart == "" {
					cart = strings.TrimSuffix(filepath.Base(journal), filepath.Ext(journal))
				}
				sources = append(sources, source{shop, cart, journal})
			case to.config != "":
				c, err := config.Load(to.config)
				if err != nil {
					return configError{err}
				}
				for i := range c.Carts {
					name := c.Carts[i].Name
					if cart == "" || cart == name {
						sources = append(sources, source{c.Shop, name, c.JournalPath(name)})
					}
				}
				if sources == nil {
					return fmt.Errorf("--cart: the configuration has no %q", cart)
				}
			default:
				return errors.New("either --config or --journal is needed")
			}
			server, err := to.history()
			if err != nil {
				return err
			}
			refused := 0
			for _, s := range sources {
				p := newProgress(cmd.ErrOrStderr())
				done, err := history.Fill(cmd.Context(), server, s.shop, s.cart, s.path, func(f history.Filled) {
					p.tell(float64(f.Events)/float64(f.Of), fmt.Sprintf("cart %s, %d points", s.cart, f.Points))
				})
				p.end()
				for _, r := range done.Refused {
					fmt.Fprintf(cmd.ErrOrStderr(), "refused: %s\n  %s\n", r.Reason, r.Line)
				}
				if err != nil {
					return fmt.Errorf("cart %s, after %d of %d events: %w", s.cart, done.Events, done.Of, err)
				}
				refused += len(done.Refused)
				fmt.Fprintf(cmd.OutOrStdout(), "cart %s: %d events, %d points sent\n", s.cart, done.Events, done.Points)
			}
			if refused > 0 {
				return fmt.Errorf("the history refused %d points", refused)
			}
			return nil
		},
	}
	to.add(cmd)
	f := cmd.Flags()
	f.StringVar(&journal, "journal", "", "send this journal file instead of the configuration's")
	f.StringVar(&shop, "shop", "", "its shop")
	f.StringVar(&cart, "cart", "", "only this cart; of a journal file, the cart (default: the file's name)")
	return cmd
}

func historyKeepCommand() *cobra.Command {
	var from historyFlags
	var since, until, bucket string
	cmd := &cobra.Command{
		Use:   "keep",
		Short: "Copy closed jobs, whole, to a bucket that is kept longer",
		Long: `Copy every job that ended in a range of time, with all its readings, inputs,
published figures and its closing record, to another bucket of the same history.
The bucket that the bridge writes to also holds what was weighed between jobs, and
may then be kept for weeks only. A job that is there already is replaced by itself.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			history, err := from.history()
			if err != nil {
				return err
			}
			sinceNs, err := momentNs(since, time.Now())
			if err != nil {
				return fmt.Errorf("--since: %w", err)
			}
			untilNs, err := momentNs(until, time.Now())
			if err != nil {
				return fmt.Errorf("--until: %w", err)
			}
			if bucket == history.Bucket {
				return fmt.Errorf("--to-bucket: %q is where the jobs are", bucket)
			}
			store, err := audit.OpenStore(history)
			if err != nil {
				return err
			}
			defer store.Close()
			history.Bucket = bucket
			to, err := audit.OpenStore(history)
			if err != nil {
				return err
			}
			defer to.Close()
			p, jobs := newProgress(cmd.ErrOrStderr()), 0
			err = store.Keep(cmd.Context(), to, sinceNs, untilNs, func(done, of int) {
				jobs = done
				p.tell(float64(done)/float64(of), fmt.Sprintf("%d of %d jobs", done, of))
			})
			p.end()
			fmt.Fprintf(cmd.OutOrStdout(), "%d jobs kept in %s\n", jobs, bucket)
			return err
		},
	}
	from.add(cmd)
	f := cmd.Flags()
	f.StringVar(&since, "since", "7d", "jobs that ended since then: so many days ago, or a date in UTC as in 2026-01-31")
	f.StringVar(&until, "until", "0d", "and before then (default: now)")
	f.StringVar(&bucket, "to-bucket", "", "bucket to copy to (database/retention for InfluxDB 1.8)")
	cmd.MarkFlagRequired("to-bucket")
	return cmd
}

func historyEraseCommand() *cobra.Command {
	var conf, technician, vehicle string
	cmd := &cobra.Command{
		Use:   "erase",
		Short: "Erase the name of a technician or a vehicle from journals and history",
		Long: `Erase the name of a technician or a vehicle from the journals of the
configuration's carts and from the history. The events never held it, only a token
made with the key in the data folder: audits find them as before. Of what has been
copied elsewhere, of notes that somebody wrote, and of the broker's retained job
until the next one, it knows nothing; a running bridge remembers names until it is
started again.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (technician == "") == (vehicle == "") {
				return errors.New("either --technician or --vehicle is needed")
			}
			c, err := config.Load(conf)
			if err != nil {
				return configError{err}
			}
			token, err := c.Token(vehicle != "", technician+vehicle)
			if err != nil {
				return err
			}
			journals := 0
			for i := range c.Carts {
				erased, err := journal.EraseName(cmd.Context(), c.JournalPath(c.Carts[i].Name), token)
				if err != nil {
					return err
				}
				if erased {
					journals++
				}
			}
			points := 0
			if c.History.URL != "" {
				store, err := audit.OpenStore(c.History)
				if err != nil {
					return err
				}
				defer store.Close()
				if points, err = store.Erase(cmd.Context(), token); err != nil {
					return err
				}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s: erased from %d journals and %d points of the history\n", token, journals, points)
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&conf, "config", "c", "bayfill.yaml", configHelp)
	f.StringVar(&technician, "technician", "", "name of a technician, as commands gave it")
	f.StringVar(&vehicle, "vehicle", "", "name of a vehicle, as commands gave it")
	return cmd
}

// progress tells how far long work has got: on a terminal in one line, elsewhere a
// line now and then.
type progress struct {
	out      io.Writer
	terminal bool
	told     time.Time
}

func newProgress(out io.Writer) *progress {
	f, is := out.(*os.File)
	if !is {
		return &progress{out: out, told: time.Now()}
	}
	info, err := f.Stat()
	return &progress{out: out, terminal: err == nil && info.Mode()&os.ModeCharDevice != 0, told: time.Now()}
}

func (p *progress) tell(share float64, text string) {
	every := 10 * time.Second
	if p.terminal {
		every = 200 * time.Millisecond
	}
	if time.Since(p.told) < every {
		return
	}
	p.told = time.Now()
	if p.terminal {
		fmt.Fprintf(p.out, "\r%3.0f %%  %s\033[K", 100*share, text)
		return
	}
	fmt.Fprintf(p.out, "%3.0f %%  %s\n", 100*share, text)
}

func (p *progress) end() {
	if p.terminal {
		fmt.Fprint(p.out, "\r\033[K")
	}
}
