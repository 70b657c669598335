package study

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"

	"bayfill/fillcalc"
)

//go:embed distribution.yaml
var embedded []byte

// Range is a uniform distribution between two limits.
type Range []float64

func (r Range) draw(rng *rand.Rand) float64 { return r[0] + (r[1]-r[0])*rng.Float64() }

// Choice is a list of equally likely values.
type Choice []float64

func (c Choice) draw(rng *rand.Rand) float64 { return c[rng.IntN(len(c))] }

// Distribution describes the jobs of a study; distribution.yaml explains every
// field. The tag "in" holds the limits within which the simulation makes sense.
type Distribution struct {
	Fluid struct {
		DensityKgM3      Range   `yaml:"density_kg_m3" in:"810,1000"`
		DensityUPct      float64 `yaml:"density_u_pct" in:"0,2"`
		SameNameShare    float64 `yaml:"same_name_share" in:"0,1"`
		Viscosity40Mm2S  Range   `yaml:"viscosity_40_mm2_s" in:"10,100"`
		Viscosity100Mm2S Range   `yaml:"viscosity_100_mm2_s" in:"3,9.9"`
		AmbientC         Range   `yaml:"ambient_c" in:"-15,45"`
		UsedC            Range   `yaml:"used_c" in:"-15,130"`
	} `yaml:"fluid"`
	Vehicle struct {
		SumpL    Range `yaml:"sump_l" in:"0.5,20"`
		PanL     Range `yaml:"pan_l" in:"0.01,3"`
		FilmL    Range `yaml:"film_l" in:"0,1"`
		WeepL    Range `yaml:"weep_l" in:"0,1"`
		WeepTauS Range `yaml:"weep_tau_s" in:"1,10000"`
		GushKgS  Range `yaml:"gush_kg_s" in:"0.005,1"`
	} `yaml:"vehicle"`
	Cart struct {
		OneScaleShare float64 `yaml:"one_scale_share" in:"0,1"`
		CaddyKg       Range   `yaml:"caddy_kg" in:"0.1,10"`
		HeelKg        Range   `yaml:"heel_kg" in:"0,20"`
		SupplyKg      Range   `yaml:"supply_kg" in:"0.5,30"`
		ContainerKg   Range   `yaml:"container_kg" in:"0,5"`
		BottlesShare  float64 `yaml:"bottles_share" in:"0,1"`
		BottleL       float64 `yaml:"bottle_l" in:"0.1,5"`
		BottleTareKg  Range   `yaml:"bottle_tare_kg" in:"0.001,1"`
		ThrownShare   float64 `yaml:"bottle_thrown_share" in:"0,1"`
		AirUKgM3      float64 `yaml:"air_u_kg_m3" in:"0,0.1"`
	} `yaml:"cart"`
	Scale struct {
		ResolutionG    Choice  `yaml:"resolution_g" in:"0.1,100"`
		RateHz         Choice  `yaml:"rate_hz" in:"1,200"`
		NoiseD         Range   `yaml:"noise_d" in:"0,10"`
		RepeatabilityD float64 `yaml:"repeatability_d" in:"0,10"`
		FilterS        Range   `yaml:"filter_s" in:"0,3"`
		GainUPct       float64 `yaml:"gain_u_pct" in:"0,2"`
		CreepD         float64 `yaml:"creep_d" in:"0,100"`
		DriftD         float64 `yaml:"drift_d" in:"0,100"`
		NaturalHz      Range   `yaml:"natural_hz" in:"0.5,50"`
		OvershootShare Range   `yaml:"overshoot_share" in:"0,0.9"`
		VibrationG     Range   `yaml:"vibration_g" in:"0,1000"`
		MovedPct       float64 `yaml:"moved_pct" in:"0,5"`
		LagShare       float64 `yaml:"lag_share" in:"0,1"`
		MedianShare    float64 `yaml:"median_share" in:"0,1"`
		HoldShare      float64 `yaml:"hold_share" in:"0,1"`
		StableOnly     float64 `yaml:"stable_only_share" in:"0,1"`
	} `yaml:"scale"`
	Surroundings struct {
		WindG        float64 `yaml:"wind_g" in:"0,1000"`
		BurstG       float64 `yaml:"burst_g" in:"0,2000"`
		LiftG        float64 `yaml:"lift_g" in:"0,2000"`
		KnockG       float64 `yaml:"knock_g" in:"0,1000"`
		OffCentrePct float64 `yaml:"off_centre_pct" in:"0,2"`
	} `yaml:"surroundings"`
	Work struct {
		DrainS            Range   `yaml:"drain_s" in:"30,3600"`
		ServiceS          Range   `yaml:"service_s" in:"20,3600"`
		WarmUpS           Range   `yaml:"warm_up_s" in:"10,3600"`
		CheckS            Range   `yaml:"check_s" in:"5,3600"`
		BaselineShare     float64 `yaml:"baseline_share" in:"0,1"`
		DecideS           Range   `yaml:"decide_s" in:"1,600"`
		OverflowShare     float64 `yaml:"overflow_share" in:"0,1"`
		OverflowKg        Range   `yaml:"overflow_kg" in:"0.001,2"`
		WrongShare        float64 `yaml:"wrong_share" in:"0,1"`
		PourKgS           Range   `yaml:"pour_kg_s" in:"0.001,1"`
		PourS             Range   `yaml:"pour_s" in:"0.5,600"`
		PourPauseS        Range   `yaml:"pour_pause_s" in:"0.5,600"`
		PourUnsteadyShare Range   `yaml:"pour_unsteady_share" in:"0,0.5"`
		PulseHz           Range   `yaml:"pulse_hz" in:"0,20"`
		PulseShare        float64 `yaml:"pulse_share" in:"0,1"`
		TopUpKgS          Range   `yaml:"top_up_kg_s" in:"0.001,1"`
	} `yaml:"work"`
	Pan struct {
		SlowShare float64 `yaml:"slow_share" in:"0,1"`
		LaidShare float64 `yaml:"laid_share" in:"0,1"`
		FastS     Range   `yaml:"fast_s" in:"0.1,5"`
		Portions  float64 `yaml:"portions_share" in:"0,1"`
		SlowKgS   Range   `yaml:"slow_kg_s" in:"0.001,1"`
		MetalKg   Range   `yaml:"metal_kg" in:"0.1,10"`
		DripTauS  Range   `yaml:"drip_tau_s" in:"1,600"`
		LiesS     Range   `yaml:"lies_s" in:"1,3600"`
	} `yaml:"pan"`
	Moves struct {
		ToolKg              Range   `yaml:"tool_kg" in:"0.001,20"`
		ToolLiesS           Range   `yaml:"tool_lies_s" in:"1,3600"`
		ToolDrainingShare   float64 `yaml:"tool_draining_share" in:"0,1"`
		ToolServiceShare    float64 `yaml:"tool_service_share" in:"0,1"`
		ToolFillingShare    float64 `yaml:"tool_filling_share" in:"0,1"`
		OnSupplyShare       float64 `yaml:"on_supply_share" in:"0,1"`
		TwoToolsShare       float64 `yaml:"two_tools_share" in:"0,1"`
		ForgottenShare      float64 `yaml:"forgotten_share" in:"0,1"`
		RagShare            float64 `yaml:"rag_share" in:"0,1"`
		RagKg               Range   `yaml:"rag_kg" in:"0.001,2"`
		KickShare           float64 `yaml:"kick_share" in:"0,1"`
		KickKg              Range   `yaml:"kick_kg" in:"0,20"`
		LeanShare           float64 `yaml:"lean_share" in:"0,1"`
		LeanKg              Range   `yaml:"lean_kg" in:"0.01,20"`
		LeanRiseS           Range   `yaml:"lean_rise_s" in:"0.1,300"`
		LeanHoldS           Range   `yaml:"lean_hold_s" in:"0,300"`
		LeanFallS           Range   `yaml:"lean_fall_s" in:"0.1,300"`
		CaddyEmptiedShare   float64 `yaml:"caddy_emptied_share" in:"0,1"`
		SupplySwappedShare  float64 `yaml:"supply_swapped_share" in:"0,1"`
		SupplyRefilledShare float64 `yaml:"supply_refilled_share" in:"0,1"`
		RefillKg            Range   `yaml:"refill_kg" in:"0.1,10"`
		GapShare            float64 `yaml:"gap_share" in:"0,1"`
		GapRunningShare     float64 `yaml:"gap_running_share" in:"0,1"`
		GapS                Range   `yaml:"gap_s" in:"0.1,600"`
		RestartShare        float64 `yaml:"restart_share" in:"0,1"`
		RestartS            Range   `yaml:"restart_s" in:"0.1,600"`
	} `yaml:"moves"`
	Manual struct {
		JugStepL        float64 `yaml:"jug_step_l" in:"0.001,1"`
		JugTolerancePct float64 `yaml:"jug_tolerance_pct" in:"0,20"`
		ReadingL        float64 `yaml:"reading_l" in:"0,1"`
		ClingsL         Range   `yaml:"clings_l" in:"0,1"`
		CoolsS          Range   `yaml:"cools_s" in:"0,100000"`
		BottleL         Choice  `yaml:"bottle_l" in:"0.1,20"`
		LabelPct        float64 `yaml:"label_pct" in:"0,10"`
		BottleClingsL   Range   `yaml:"bottle_clings_l" in:"0,0.1"`
		SightShare      float64 `yaml:"sight_share" in:"0,1"`
	} `yaml:"manual"`
}

// DefaultDistribution returns the embedded distribution.yaml.
func DefaultDistribution() *Distribution {
	d := &Distribution{}
	if err := d.read(embedded); err != nil {
		panic("study: distribution.yaml: " + err.Error()) // cannot happen: the tests read it
	}
	return d
}

// ParseDistribution reads a distribution in YAML. Fields that the text does not name
// keep the values of distribution.yaml. The error names line and field.
func ParseDistribution(text []byte) (*Distribution, error) {
	d := DefaultDistribution()
	if err := d.read(text); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *Distribution) read(text []byte) error {
	var anything any
	if yaml.Unmarshal(text, &anything) == nil && anything == nil {
		return nil // nothing but comments
	}
	if err := yaml.UnmarshalWithOptions(text, d, yaml.Strict()); err != nil {
		wrong := refused("", "study.not_read", map[string]string{"reason": yaml.FormatError(err, false, true)})
		var placed yaml.Error
		if errors.As(err, &placed) && placed.GetToken() != nil {
			wrong.Line = placed.GetToken().Position.Line
		}
		return wrong
	}
	if err := check(text, "$", reflect.ValueOf(d).Elem()); err != nil {
		return err
	}
	if all := d.Pan.SlowShare + d.Pan.LaidShare; all > 1 {
		return at(text, "$.pan.laid_share", "study.sum", map[string]string{"others": "slow_share", "typed": number(all)})
	}
	if all := d.Scale.LagShare + d.Scale.MedianShare + d.Scale.HoldShare; all > 1 {
		return at(text, "$.scale.hold_share", "study.sum", map[string]string{"others": "lag_share, median_share", "typed": number(all)})
	}
	return nil
}

// check compares every value with its limits.
func check(text []byte, path string, group reflect.Value) error {
	for i := range group.NumField() {
		field, value := group.Type().Field(i), group.Field(i)
		path := path + "." + field.Tag.Get("yaml")
		if field.Type.Kind() == reflect.Struct {
			if err := check(text, path, value); err != nil {
				return err
			}
			continue
		}
		low, high := limits(field)
		var values []float64
		switch v := value.Interface().(type) {
		case float64:
			values = []float64{v}
		case Range:
			values = v
			if len(v) != 2 || !(v[0] <= v[1]) {
				return at(text, path, "study.limits", map[string]string{"typed": fmt.Sprint([]float64(v))})
			}
		case Choice:
			values = v
			if len(v) == 0 {
				return at(text, path, "study.none", nil)
			}
		}
		for _, v := range values {
			if !(low <= v && v <= high) || math.IsInf(v, 0) {
				return at(text, path, "config.span", map[string]string{"typed": number(v), "least": number(low), "most": number(high)})
			}
		}
	}
	return nil
}

func limits(field reflect.StructField) (low, high float64) {
	from, to, _ := strings.Cut(field.Tag.Get("in"), ",")
	low, _ = strconv.ParseFloat(from, 64)
	high, _ = strconv.ParseFloat(to, 64)
	return low, high
}

// DistributionError is what is wrong with a distribution, on a line of its text; 0: unknown.
type DistributionError struct {
	Line int
	Why  *fillcalc.Refusal
}

func (e *DistributionError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Why) }

func refused(field, key string, about map[string]string) *DistributionError {
	return &DistributionError{Why: &fillcalc.Refusal{Field: field, Text: fillcalc.Text{Key: key, Names: about}}}
}

// at makes an error that names the line and the field.
func at(text []byte, path, key string, about map[string]string) error {
	wrong := refused(strings.TrimPrefix(path, "$."), key, about)
	if p, err := yaml.PathString(path); err == nil {
		if node, err := p.ReadNode(bytes.NewReader(text)); err == nil && node.GetToken() != nil {
			wrong.Line = node.GetToken().Position.Line
		}
	}
	return wrong
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
