package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/words"
	"bayfill/bridge/wrap"
	"bayfill/fillcalc"
)

func budgetCommand() *cobra.Command {
	var (
		conf, cart string
		asJSON     bool
		reads      languageFlag
	)
	cmd := &cobra.Command{
		Use:     "budget [JOB]",
		Short:   "help.budget",
		Example: "  bayfill budget van-7 --cart bay2",
		Long:    "help.budget_more",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			reader, err := reads.reader()
			if err != nil {
				return err
			}
			c, err := config.Load(conf)
			if err != nil {
				return configError{err}
			}
			cart = onlyCart(c, cart)
			if _, err := c.Cart(cart); err != nil {
				return fmt.Errorf("--%w", err)
			}
			s, err := journal.JobState(cmd.Context(), c.JournalPath(cart), strings.Join(args, ""))
			if err != nil {
				return err
			}
			b := newJobBudget(cart, &s, reader)
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(b)
			}
			b.print(cmd.OutOrStdout(), reader)
			return nil
		},
	}
	f := cmd.Flags()
	reads.add(f)
	f.StringVarP(&conf, "config", "c", configDefault(), configHelp)
	f.StringVar(&cart, "cart", "", onlyCartHelp)
	f.BoolVar(&asJSON, "json", false, "flag.json")
	return cmd
}

// jobBudget is the uncertainty budget of a job's volumes.
type jobBudget struct {
	Cart       string       `json:"cart"`
	Job        string       `json:"job"`
	Phase      string       `json:"phase"`
	At         string       `json:"at"`
	ReferenceC float64      `json:"reference_c"`
	Drained    volumeBudget `json:"drained"`
	Added      volumeBudget `json:"added"`
	Balance    volumeBudget `json:"balance"`
}

type volumeBudget struct {
	L     *float64     `json:"l"`   // null when not known
	UL    *float64     `json:"u_l"` // expanded, k = 2; null when not known
	Terms []budgetTerm `json:"terms"`
	// Improve lists what would make the volume better known, the most effective first.
	Improve []budgetImprovement `json:"improve"`
}

// budgetImprovement is one term, the expanded uncertainty if it were half as large, and how.
type budgetImprovement struct {
	Term   string  `json:"term"`
	Of     string  `json:"of,omitempty"`
	UML    float64 `json:"u_ml"`
	Advice string  `json:"advice"`
}

type budgetTerm struct {
	Term       string  `json:"term"`
	Of         string  `json:"of"`
	UML        float64 `json:"u_ml"`        // standard uncertainty
	WithoutPct float64 `json:"without_pct"` // by how much ± would be smaller without the term
}

// withoutPct is by how many percent an uncertainty would be smaller without a term whose share
// of the variance is sharePct.
func withoutPct(sharePct float64) float64 { return 100 * (1 - math.Sqrt(max(0, 1-sharePct/100))) }

// newJobBudget lists the terms of each volume, the largest first, with advice for a reader.
func newJobBudget(cart string, s *fillcalc.State, r words.Reader) jobBudget {
	v := s.Volumes()
	known := func(l float64) *float64 {
		if math.IsNaN(l) {
			return nil
		}
		return &l
	}
	volume := func(l, uL float64, b fillcalc.Budget) volumeBudget {
		volume := volumeBudget{L: known(l), UL: known(uL), Terms: []budgetTerm{}, Improve: []budgetImprovement{}}
		for _, i := range b.Improvements(2) {
			volume.Improve = append(volume.Improve, budgetImprovement{i.Term.Name, i.Term.Of, 1000 * i.UL, r.Word("advice." + i.Term.Name)})
		}
		for _, t := range b {
			if t.L != 0 {
				volume.Terms = append(volume.Terms, budgetTerm{t.Name, t.Of, 1000 * math.Abs(t.L), withoutPct(100 * t.L * t.L / b.U2())})
			}
		}
		slices.SortStableFunc(volume.Terms, func(a, b budgetTerm) int { return cmp.Compare(b.UML, a.UML) })
		return volume
	}
	return jobBudget{
		Cart: cart, Job: s.Job.Spec.ID, Phase: string(s.Job.Phase), At: time.Unix(0, s.NowNs).UTC().Format(time.RFC3339),
		ReferenceC: s.Job.ReferenceC,
		Drained:    volume(v.DrainedL, v.DrainedUL, s.Budget(fillcalc.DrainedTally)),
		Added:      volume(v.AddedL, v.AddedUL, s.Budget(fillcalc.AddedTally)),
		Balance:    volume(v.BalanceL, v.BalanceUL, s.BalanceBudget()),
	}
}

// budgetWidth is the maximum width of the report, in columns.
const budgetWidth = 60

// budgetFigures are the columns of a term beside its name.
const budgetFigures = "  %7.2f  %5.1f\n"

// termWidth is the width of a term's name.
const termWidth = budgetWidth - 16

func (b jobBudget) print(out io.Writer, r words.Reader) {
	printWrapped(out, r.Say(fillcalc.Text{Key: "budget.about", Figures: figures{"reference_c": b.ReferenceC},
		Names: names{"job": b.Job, "cart": b.Cart, "phase": b.Phase, "seen_when": b.At}}), budgetWidth)
	printWrapped(out, r.Word("budget.columns"), budgetWidth)
	b.Drained.print(out, r, "volume.drained")
	b.Added.print(out, r, "volume.added")
	b.Balance.print(out, r, "volume.balance")
}

// print prints the terms of a volume, whose name is a key, and what would make it better known.
func (v volumeBudget) print(out io.Writer, r words.Reader, name string) {
	what := r.Word(name) + ": " + r.Word("volume.undecided")
	if v.L != nil && v.UL != nil {
		what = fmt.Sprintf("%s %.3f ± %.3f L", r.Word(name), *v.L, *v.UL)
	}
	fmt.Fprintf(out, "\n%-*s  %7s  %5s\n", termWidth, what, "u mL", "%")
	u2 := 0.0
	for _, t := range v.Terms {
		lines := wrap.Lines("  "+termOf(r, t.Term, t.Of), termWidth)
		for _, line := range lines[:len(lines)-1] {
			fmt.Fprintln(out, line)
		}
		fmt.Fprintf(out, "%-*s"+budgetFigures, termWidth, lines[len(lines)-1], t.UML, t.WithoutPct)
		u2 += t.UML * t.UML
	}
	if u2 > 0 {
		fmt.Fprintf(out, "%-*s"+budgetFigures, termWidth, "  "+r.Word("budget.together"), math.Sqrt(u2), 100.0)
	}
	for _, i := range v.Improve {
		printWrapped(out, r.Say(fillcalc.Text{Key: "budget.improve",
			Names: names{"term": termOf(r, i.Term, i.Of), "u": fmt.Sprintf("%.1f", i.UML), "how": i.Advice}}), budgetWidth)
	}
}

// termOf names a term, and what it is of if there are several.
func termOf(r words.Reader, term, of string) string {
	if of == "" {
		return r.Word("budget." + term)
	}
	return r.Word("budget."+term) + ": " + of
}
