package main

import (
	"cmp"
	"fmt"
	"os"

	"github.com/spf13/pflag"

	"bayfill/bridge/units"
	"bayfill/bridge/words"
)

// What a text of the catalogues is about; see [fillcalc.Text].
type (
	figures = map[string]float64
	names   = map[string]string
)

// languageFlag says in which language a command prints whose figures are in SI units for
// everybody. The environment gives the default.
type languageFlag struct{ lang string }

func (o *languageFlag) add(f *pflag.FlagSet) {
	f.StringVar(&o.lang, "lang", os.Getenv("BAYFILL_LANG"), "flag.lang")
}

// reader returns who reads what the command prints.
func (o *languageFlag) reader() (words.Reader, error) {
	language, err := words.ParseLanguage(o.lang)
	if err != nil {
		return words.Reader{}, configError{fmt.Errorf("--lang: %w", err)}
	}
	return words.Reader{Language: language, Units: units.Metric}, nil
}

// readerFlags say in which language and units a command prints. The environment gives the
// defaults.
type readerFlags struct {
	languageFlag
	units string
}

func (o *readerFlags) add(f *pflag.FlagSet) {
	f.StringVar(&o.units, "units", os.Getenv("BAYFILL_UNITS"), "flag.units")
	o.languageFlag.add(f)
}

// notSystem refuses a text that is no system of units.
func notSystem(typed string) error {
	return words.NewError("usage.not_listed", "typed", fmt.Sprintf("%.40s", typed), "choices", fmt.Sprintf("%s, %s, %s", units.Metric, units.US, units.Imperial))
}

// reader returns who reads what a command prints. shop are the units of the shop, for a
// reader who has not chosen their own; empty: unknown.
func (o *readerFlags) reader(shop string) (words.Reader, error) {
	system, err := units.ParseSystem(cmp.Or(o.units, shop))
	if err != nil {
		return words.Reader{}, configError{fmt.Errorf("--units: %w", notSystem(o.units))}
	}
	reader, err := o.languageFlag.reader()
	reader.Units = system
	return reader, err
}
