package fillcalc

import (
	"fmt"
	"math"
)

// FieldWeighing is the weighing of a known volume of fluid: a full labelled bottle
// is weighed, emptied, and weighed again.
type FieldWeighing struct {
	Name string // for the fluid
	// ShownKg is the difference of the two weights shown, ShownUKg its standard
	// uncertainty.
	ShownKg, ShownUKg float64
	// Litres on the label, and the half-width of its tolerance in percent; 0 means
	// the tolerable deficiency.
	Litres, TolerancePct float64
	// AtC is the temperature at which the litres hold, AtUC its standard
	// uncertainty: 20 °C for a label, however warm the fluid was (OIML R 87, from
	// memory), and the fluid's own for a measure that was filled to its mark.
	AtC, AtUC float64
	AirKgM3   float64
}

// DensityBudget holds the contributions to a density's uncertainty: standard
// uncertainties in kg/m³, independent of each other. The air's density is omitted:
// half its range between a valley in winter and a mountain in summer changes the
// result by 0.12 kg/m³.
type DensityBudget struct {
	WeighingKgM3    float64
	LabelKgM3       float64
	FilmKgM3        float64
	TemperatureKgM3 float64
}

// Between 0 and 5 mL per litre clings to an emptied bottle (common practice, no
// source). The middle of that is subtracted, the rest is a rectangle (GUM 4.3.7).
const (
	filmShare  = 0.0025
	filmShareU = 0.0025 / 1.7320508075688772 // √3
)

// FieldDensity returns the fluid whose density follows from weighing a known
// volume. With a litre bottle it is good to about 1 %: enough to find a wrong data
// sheet, and to work with until there is a right one. The error names the field,
// or says what was probably wrong with the weighing.
func FieldDensity(w FieldWeighing) (Fluid, DensityBudget, error) {
	for _, f := range []struct {
		name                   string
		value, lowest, highest float64
	}{
		{"shown_u_kg", w.ShownUKg, 0, 1000},
		{"litres", w.Litres, minBottleL, maxBottleL}, {"tolerance_pct", w.TolerancePct, 0, 20},
		{"at_c", w.AtC, -20, 100}, {"at_u_c", w.AtUC, 0, 50},
		{"air_kg_m3", w.AirKgM3, 0.5, 2},
	} {
		if err := within(f.name, f.value, f.lowest, f.highest); err != nil {
			return Fluid{}, DensityBudget{}, err
		}
	}
	if !(w.ShownKg > 0) || math.IsInf(w.ShownKg, 0) {
		return Fluid{}, DensityBudget{}, fmt.Errorf("shown_kg: %g is not above zero: it is by how much the weight went down", w.ShownKg)
	}

	// Mass over volume, with the buoyancy of the density sought: ρ·V = W·(1 −
	// ρa/8000)/(1 − ρa/ρ) is linear in ρ, so that no iteration is needed.
	shownKgM3 := w.ShownKg / w.Litres * 1000 / (1 - filmShare)
	overAir := float64(shownKgM3 * (1 - w.AirKgM3/ConventionalWeightKgM3))
	f := Fluid{Name: w.Name, Model: Oil2004, DensityKgM3: overAir + w.AirKgM3, AtC: w.AtC}

	_, perC, err := f.expansion(w.AtC)
	if err == nil && f.DensityKgM3 > 1000 {
		err = fmt.Errorf("oil is lighter than water")
	}
	if err != nil {
		return Fluid{}, DensityBudget{}, fmt.Errorf("shown_kg, litres: %.3f kg for %g L is %.1f kg/m³, which is no lubricating oil's density: "+
			"look for another bottle size, another unit, or a bottle that was not full or not emptied (%w)",
			w.ShownKg, w.Litres, f.DensityKgM3, err)
	}
	// Errors of weight and volume act on the density above that of air.
	b := DensityBudget{
		WeighingKgM3:    overAir * w.ShownUKg / w.ShownKg,
		LabelKgM3:       overAir * tolerancePct(w.TolerancePct, w.Litres) / 100 / math.Sqrt(3),
		FilmKgM3:        overAir * filmShareU / (1 - filmShare),
		TemperatureKgM3: f.DensityKgM3 * perC * w.AtUC,
	}
	f.DensityU = rootSumSquares(b.WeighingKgM3, b.LabelKgM3, b.FilmKgM3, b.TemperatureKgM3) / f.DensityKgM3
	return f, b, nil
}
