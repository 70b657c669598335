package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
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
		conf, cart, job string
		asJSON          bool
	)
	cmd := &cobra.Command{
		Use:     "budget",
		Short:   "help.budget",
		Example: "  bayfill budget --job van-7",
		Long:    "help.budget_more",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := config.Load(conf)
			if err != nil {
				return configError{err}
			}
			cart = onlyCart(c, cart)
			if _, err := c.Cart(cart); err != nil {
				return err
			}
			s, err := journal.JobState(cmd.Context(), c.JournalPath(cart), job)
			if err != nil {
				return err
			}
			b := newJobBudget(cart, &s)
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(b)
			}
			b.print(cmd.OutOrStdout())
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&conf, "config", "c", configDefault(), configHelp)
	f.StringVar(&cart, "cart", "", onlyCartHelp)
	f.StringVar(&job, "job", "", "flag.job")
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
	Term     string  `json:"term"`
	Of       string  `json:"of"`
	UML      float64 `json:"u_ml"`      // standard uncertainty
	SharePct float64 `json:"share_pct"` // of the variance
}

// newJobBudget lists the terms of each volume, the largest first.
func newJobBudget(cart string, s *fillcalc.State) jobBudget {
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
			volume.Improve = append(volume.Improve, budgetImprovement{i.Term.Name, i.Term.Of, 1000 * i.UL, words.Plain.Word("advice." + i.Term.Name)})
		}
		for _, t := range b {
			if t.L != 0 {
				volume.Terms = append(volume.Terms, budgetTerm{t.Name, t.Of, 1000 * math.Abs(t.L), 100 * t.L * t.L / b.U2()})
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

func (b jobBudget) print(out io.Writer) {
	const figures = "  %7.2f  %5.1f\n"
	const termWidth = budgetWidth - 16
	printWrapped(out, fmt.Sprintf("Job %s on cart %s, %s at %s. Litres at %g °C; the true amount lies within ± in 95 of 100 cases (k = 2).", b.Job, b.Cart, b.Phase, b.At, b.ReferenceC), budgetWidth)
	for _, v := range []struct {
		name string
		volumeBudget
	}{{"drained", b.Drained}, {"added", b.Added}, {"balance", b.Balance}} {
		what := v.name + " not known"
		if v.L != nil && v.UL != nil {
			what = fmt.Sprintf("%s %.3f ± %.3f L", v.name, *v.L, *v.UL)
		}
		fmt.Fprintf(out, "\n%-*s  %7s  %5s\n", termWidth, what, "u mL", "%")
		u2 := 0.0
		for _, t := range v.Terms {
			text := words.Plain.Word("budget." + t.Term)
			if t.Of != "" {
				text += ": " + t.Of
			}
			lines := wrap.Lines("  "+text, termWidth)
			for _, line := range lines[:len(lines)-1] {
				fmt.Fprintln(out, line)
			}
			fmt.Fprintf(out, "%-*s"+figures, termWidth, lines[len(lines)-1], t.UML, t.SharePct)
			u2 += t.UML * t.UML
		}
		if u2 > 0 {
			fmt.Fprintf(out, "%-*s"+figures, termWidth, "  together", math.Sqrt(u2), 100.0)
		}
		for _, i := range v.Improve {
			name := words.Plain.Word("budget." + i.Term)
			if i.Of != "" {
				name += ": " + i.Of
			}
			printWrapped(out, fmt.Sprintf("If half of it were left of %s, ± would be %.1f mL: %s.", name, i.UML, i.Advice), budgetWidth)
		}
	}
}
