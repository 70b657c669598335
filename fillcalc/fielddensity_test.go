package fillcalc

import (
	"math"
	"strings"
	"testing"
)

func litreBottle() FieldWeighing {
	return FieldWeighing{Name: "amber", ShownKg: 0.846, ShownUKg: 0.003, Litres: 1, AtC: 20, AirKgM3: ConventionalAirKgM3}
}

// By the convention of OIML D 28:2004, computed to ten digits, 5 kg shown are
// 5.006317743 kg of a liquid of 850 kg/m³, or 5.889785580 L. The bottle must hold
// 2.5 mL per litre more, which stay in it.
func TestFieldDensityOfKnownVolume(t *testing.T) {
	w := FieldWeighing{ShownKg: 5, Litres: 5.889785580 / 0.9975, AtC: 20, AirKgM3: ConventionalAirKgM3}
	f, _, err := FieldDensity(w)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "density", f.DensityKgM3, 850, 1e-6)
	// The fixed point: mass by the buoyancy of the density found, over the volume.
	near(t, "mass", f.DensityKgM3*5.889785580/1000, 5*BuoyancyFactor(f.DensityKgM3, ConventionalAirKgM3), 1e-12)
}

// API MPMS 11.1-2004 densities of testdata/fluids, computed independently: a
// weighed bottle of each oil gives the densities at all other temperatures.
func TestFieldDensityOnPublishedDensities(t *testing.T) {
	rows := table(t, "fluids/vcf_lubricating_oil_grid.csv")
	for _, at := range rows {
		if at["temp_c"] != 20 && at["temp_c"] != 40 {
			continue
		}
		rho := at["density_2004_kgm3"]
		w := litreBottle()
		w.AtC = at["temp_c"]
		w.ShownKg = rho / 1000 * 0.9975 / BuoyancyFactor(rho, w.AirKgM3)
		f, _, err := FieldDensity(w)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			if row["rho15_kgm3"] == at["rho15_kgm3"] {
				got, err := f.Density(row["temp_c"])
				if err != nil {
					t.Fatal(err)
				}
				near(t, "density", got, row["density_2004_kgm3"], 1e-8*rho)
			}
		}
	}
}

// By hand, 0.846 kg from a litre bottle: 0.846/0.9975 = 0.848120 kg/L, less
// 0.00015 of it, plus the air's 1.2 kg/m³: 849.193 kg/m³; 847.993 above air.
//
//	weighing 847.993 · 3/846             = 3.007
//	label    847.993 · 1.5 %/√3          = 7.344
//	film     847.993 · 0.25 %/√3/0.9975  = 1.227
//	together                             = 8.030, or 0.946 %
func TestFieldDensityBudget(t *testing.T) {
	w := litreBottle()
	f, b, err := FieldDensity(w)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "density", f.DensityKgM3, 849.193, 1e-3)
	near(t, "weighing", b.WeighingKgM3, 3.007, 1e-3)
	near(t, "label", b.LabelKgM3, 7.344, 1e-3)
	near(t, "film", b.FilmKgM3, 1.227, 1e-3)
	near(t, "temperature", b.TemperatureKgM3, 0, 0)
	near(t, "relative", f.DensityU, 0.00946, 5e-6)
	if f.Name != "amber" || f.Model != Oil2004 || f.AtC != 20 {
		t.Errorf("fluid %+v", f)
	}

	// Each input moved by its uncertainty both ways (GUM 5.1.3, note 2).
	w.AtUC, w.TolerancePct = 2, 0.5
	f, b, err = FieldDensity(w)
	if err != nil {
		t.Fatal(err)
	}
	half := func(move func(w *FieldWeighing, way float64), at func(f Fluid) float64) float64 {
		up, down := w, w
		move(&up, 1)
		move(&down, -1)
		high, _, err := FieldDensity(up)
		if err != nil {
			t.Fatal(err)
		}
		low, _, err := FieldDensity(down)
		if err != nil {
			t.Fatal(err)
		}
		return math.Abs(at(high)-at(low)) / 2
	}
	found := func(f Fluid) float64 { return f.DensityKgM3 }
	at20 := func(f Fluid) float64 { d, _ := f.Density(20); return d }
	near(t, "weighing", b.WeighingKgM3, half(func(w *FieldWeighing, way float64) { w.ShownKg += way * w.ShownUKg }, found), 1e-3)
	near(t, "label", b.LabelKgM3,
		half(func(w *FieldWeighing, way float64) { w.Litres *= 1 + way*w.TolerancePct/100/math.Sqrt(3) }, found), 1e-3)
	near(t, "film", b.FilmKgM3,
		half(func(w *FieldWeighing, way float64) { w.Litres *= 1 + way*0.0025/math.Sqrt(3)/0.9975 }, found), 1e-3)
	near(t, "temperature", b.TemperatureKgM3, half(func(w *FieldWeighing, way float64) { w.AtC += way * w.AtUC }, at20), 2e-3)
	near(t, "together", f.DensityU*f.DensityKgM3,
		math.Sqrt(b.WeighingKgM3*b.WeighingKgM3+b.LabelKgM3*b.LabelKgM3+b.FilmKgM3*b.FilmKgM3+b.TemperatureKgM3*b.TemperatureKgM3), 1e-9)
}

func TestFieldDensityErrors(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		says   string
		change func(w *FieldWeighing)
	}{
		{"shown_kg: ", func(w *FieldWeighing) { w.ShownKg = 0 }},
		{"shown_kg: ", func(w *FieldWeighing) { w.ShownKg = nan }},
		{"shown_kg: ", func(w *FieldWeighing) { w.ShownKg = math.Inf(1) }},
		{"shown_u_kg: ", func(w *FieldWeighing) { w.ShownUKg = -1 }},
		{"litres: ", func(w *FieldWeighing) { w.Litres = 1000 }}, // millilitres
		{"tolerance_pct: ", func(w *FieldWeighing) { w.TolerancePct = nan }},
		{"at_c: ", func(w *FieldWeighing) { w.AtC = 150 }},
		{"at_u_c: ", func(w *FieldWeighing) { w.AtUC = nan }},
		{"air_kg_m3: ", func(w *FieldWeighing) { w.AirKgM3 = 0 }},
		{"another bottle size", func(w *FieldWeighing) { w.Litres = 5 }},             // 170 kg/m³
		{"another unit", func(w *FieldWeighing) { w.Litres = LitresPerUSQuart / 2 }}, // 1793 kg/m³
		{"not emptied", func(w *FieldWeighing) { w.ShownKg = 0.79 }},
		{"lighter than water", func(w *FieldWeighing) { w.ShownKg = 1.01 }},
	} {
		w := litreBottle()
		c.change(&w)
		if f, _, err := FieldDensity(w); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: got %+v, %v", c.says, f, err)
		}
	}
}
