package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"bayfill/bridge/clock"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Config is the whole configuration file. Every key of the file is a field
// here, and nothing else is accepted.
type Config struct {
	Shop        string     `yaml:"shop"`
	Data        string     `yaml:"data"`
	ServiceData string     `yaml:"service_data"` // folder
	Units       string     `yaml:"units"`
	Identities  Identities `yaml:"identities"`
	Broker      Broker     `yaml:"broker"`
	Commands    Commands   `yaml:"commands"`
	Journal     Journal    `yaml:"journal"`
	History     History    `yaml:"history"`
	Monitor     Monitor    `yaml:"monitor"`
	Fluids      []Fluid    `yaml:"fluids"`
	Carts       []Cart     `yaml:"carts"`
}

// BrokerConfig is an external broker's address, or what the embedded one does.
type Broker struct {
	URL      string `yaml:"url"`
	CAFile   string `yaml:"ca_file"`
	CertFile string `yaml:"cert_file"` // who the program is, for brokers that ask for it; embedded: for all who come
	KeyFile  string `yaml:"key_file"`
	Username string `yaml:"username"`
	Password Secret `yaml:"password"`

	Listen string `yaml:"listen"` // embedded
	Users  []User `yaml:"users"`
}

// UserConfig is an identity on the embedded broker. Reading and commanding are
// separate rights.
type User struct {
	Name     string   `yaml:"name"`
	Password Secret   `yaml:"password"`
	May      []string `yaml:"may"`   // read, command
	Carts    []string `yaml:"carts"` // those only; none named: all
}

// CommandConfig says what commands must bring besides their sender's right.
type Commands struct {
	Key Secret `yaml:"key"` // with which they are signed; none: they need not be
}

// JournalConfig says how much the carts' journals may take.
type Journal struct {
	MaxMB *float64 `yaml:"max_mb"` // of each cart
}

func (j *Journal) MaxBytes() int64 { return int64(*j.MaxMB * 1e6) }

// HistoryConfig is an InfluxDB with the version 2 write API; no URL, no history.
type History struct {
	URL    string `yaml:"url"`
	Org    string `yaml:"org"`
	Bucket string `yaml:"bucket"`
	Token  Secret `yaml:"token"`
}

// MonitorConfig is where health and metrics are answered; no address, no answers.
type Monitor struct {
	Listen   string `yaml:"listen"`
	Anywhere bool   `yaml:"anywhere"` // not only on a loopback address
}

// Secret says where a secret is kept; it is never part of the file itself.
type Secret struct {
	File string `yaml:"file"`
	Env  string `yaml:"env"`
}

// Read fetches the secret; an empty Secret gives an empty one.
func (s Secret) Read() (string, error) {
	switch {
	case s.File != "" && s.Env != "":
		return "", errors.New("give file or env, not both")
	case s.File != "":
		text, err := os.ReadFile(s.File)
		if err != nil {
			return "", err
		}
		return strings.TrimRight(string(text), "\r\n"), nil
	case s.Env != "":
		text, ok := os.LookupEnv(s.Env)
		if !ok {
			return "", fmt.Errorf("environment variable %s is not set", s.Env)
		}
		return text, nil
	}
	return "", nil
}

// key reads a secret that is used as a key.
func (s Secret) key() ([]byte, error) {
	text, err := s.Read()
	if err == nil && len(text) < 16 {
		err = errors.New("is shorter than 16 characters: anybody could find it by trying")
	}
	return []byte(text), err
}

// CommandKey reads the key that signs commands; nil where none is asked for.
func (s Secret) CommandKey() ([]byte, error) {
	if s == (Secret{}) {
		return nil, nil
	}
	return s.key()
}

// FluidConfig is a fluid's data sheet.
type Fluid struct {
	Name        string   `yaml:"name"`
	Model       string   `yaml:"model"`
	DensityKgM3 float64  `yaml:"density_kg_m3"`
	AtC         *float64 `yaml:"at_c"`
	Points      []Point  `yaml:"points"`
	DensityUPct *float64 `yaml:"density_u_pct"` // standard uncertainty, percent
}

// PointConfig is one measured density.
type Point struct {
	C    float64 `yaml:"c"`
	KgM3 float64 `yaml:"kg_m3"`
}

// CartConfig is one instrumented cart.
type Cart struct {
	Name       string   `yaml:"name"`
	ReferenceC *float64 `yaml:"reference_c"`
	AirKgM3    *float64 `yaml:"air_kg_m3"`
	Caddy      Caddy    `yaml:"caddy"`
	Sensors    []Sensor `yaml:"sensors"`
}

// CaddyConfig says when the caddy is full.
type Caddy struct {
	EmptyKg float64 `yaml:"empty_kg"`
	HoldsL  float64 `yaml:"holds_l"`
}

// SensorConfig is one instrument on one port.
type Sensor struct {
	Name     string `yaml:"name"`
	Role     string `yaml:"role"`
	Port     string `yaml:"port"`
	Line     string `yaml:"line"`
	Protocol string `yaml:"protocol"`
	Unit     string `yaml:"unit"`

	// Scales.
	CapacityKg      float64  `yaml:"capacity_kg"`
	ResolutionKg    float64  `yaml:"resolution_kg"`
	RepeatabilityKg *float64 `yaml:"repeatability_kg"`
	GainUPct        *float64 `yaml:"gain_u_pct"`
	MaxFlowKgS      *float64 `yaml:"max_flow_kg_s"`

	LagS *float64 `yaml:"lag_s"` // probes

	// Protocols.
	Repeat       bool    `yaml:"repeat"`
	Pattern      string  `yaml:"pattern"`
	Decimals     int     `yaml:"decimals"`
	Width        int     `yaml:"width"`
	KgPerCount   float64 `yaml:"kg_per_count"`
	CountsAtZero float64 `yaml:"counts_at_zero"`
	Query        string  `yaml:"query"`
	UnitID       int     `yaml:"unit_id"`
	Registers    string  `yaml:"registers"` // holding, input
	Register     int     `yaml:"register"`
	Type         string  `yaml:"type"`
	Order        string  `yaml:"order"`
	Exponent     int     `yaml:"exponent"`
	PollMs       int     `yaml:"poll_ms"`
	SilentAfterS float64 `yaml:"silent_after_s"`
}

var NamePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

// LoadConfig reads and checks a configuration file. Errors name the file, the
// line and the key, or the key's path, and say what would be right.
func Load(path string) (*Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	c, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// ParseConfig reads and checks a configuration.
func Parse(text []byte) (*Config, error) {
	var c Config
	if err := decodeYAML(text, &c); err != nil {
		return nil, err
	}
	c.defaults()
	if err := c.Check(); err != nil {
		return nil, locate(text, err)
	}
	return &c, nil
}

// decodeYAML reads one document into a struct whose fields are all its keys.
func decodeYAML(text []byte, into any) (err error) {
	// The decoder panics on some files that are no YAML (fuzzing found one).
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("not readable as YAML: %v", p)
		}
	}()
	decoder := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict())
	if err := decoder.Decode(into); err != nil {
		if errors.Is(err, io.EOF) {
			return errors.New("the file is empty")
		}
		return explainYAML(text, err, yamlKeys(reflect.TypeOf(into)))
	}
	if err := decoder.Decode(new(any)); !errors.Is(err, io.EOF) {
		return errors.New("the file holds a second document (after ---): one is wanted")
	}
	return nil
}

// orElse fills a field that the file leaves out.
func orElse(field **float64, value float64) {
	if *field == nil {
		*field = &value
	}
}

func (c *Config) defaults() {
	if c.Broker.Listen == "" {
		c.Broker.Listen = "127.0.0.1:1883"
	}
	// Three weeks of a cart with two scales and a probe, at ten and two readings a
	// second.
	orElse(&c.Journal.MaxMB, 2000)
	for i := range c.Fluids {
		f := &c.Fluids[i]
		if f.Model == "" {
			f.Model = string(fillcalc.Oil2004)
		}
		orElse(&f.AtC, 15)
		orElse(&f.DensityUPct, 0.1)
	}
	for i := range c.Carts {
		cart := &c.Carts[i]
		orElse(&cart.ReferenceC, 20)
		orElse(&cart.AirKgM3, fillcalc.ConventionalAirKgM3)
		for j := range cart.Sensors {
			s := &cart.Sensors[j]
			if s.Line == "" {
				s.Line = "9600 8N1"
			}
			// A settled weighing scatters by less than half a display step.
			orElse(&s.RepeatabilityKg, s.ResolutionKg*0.4)
			orElse(&s.GainUPct, 0.05)
			// Twice what a dropped pan gives at its fastest (common practice, no source).
			orElse(&s.MaxFlowKgS, 0.15)
			if s.Role == "transmission-temp" {
				// A sheathed probe down a dipstick tube (common practice, no source).
				orElse(&s.LagS, 8)
			}
			orElse(&s.LagS, 0)
			if s.PollMs == 0 {
				s.PollMs = 100
				if s.Quantity() == sensors.Temperature {
					s.PollMs = 500
				}
			}
			if s.SilentAfterS == 0 {
				s.SilentAfterS = 2.5 // and within three seconds a board shows it
			}
		}
	}
}

func (s *Sensor) protocol() (sensors.Protocol, error) {
	return sensors.New(s.Protocol, sensors.Options{
		Quantity: s.Quantity(), Unit: s.Unit, CapacityKg: s.CapacityKg, Repeat: s.Repeat,
		Pattern: s.Pattern, Decimals: s.Decimals, Width: s.Width,
		KgPerCount: s.KgPerCount, CountsAtZero: s.CountsAtZero, Query: s.Query,
		Unit485: s.UnitID, Input: s.Registers == "input", Register: s.Register,
		Type: s.Type, Order: s.Order, Exponent: s.Exponent,
	})
}

// sensor makes the driver that the configuration describes.
func (s *Sensor) Driver(clock *clock.Clock) (*sensors.Sensor, error) {
	protocol, err := s.protocol()
	if err != nil {
		return nil, err
	}
	line, err := sensors.ParseLineSettings(s.Line)
	if err != nil {
		return nil, err
	}
	// What streams by itself need not be looked at often; what is polled must be
	// asked again in time.
	wait := 500 * time.Millisecond
	if protocol.Poll != nil {
		wait = 100 * time.Millisecond
	}
	return &sensors.Sensor{
		Name: s.Name, Quantity: s.Quantity(), Protocol: protocol,
		Open:        func() (io.ReadWriteCloser, error) { return sensors.OpenSerial(s.Port, line, wait) },
		SevenBits:   line.DataBits == 7,
		PollEvery:   clock.Life(time.Duration(s.PollMs) * time.Millisecond),
		SilentAfter: clock.Life(time.Duration(s.SilentAfterS * float64(time.Second))),
		RetryEvery:  time.Second,
		NowNs:       clock.NowNs,
	}, nil
}

func (f *Fluid) fluid() fillcalc.Fluid {
	fluid := fillcalc.Fluid{
		Name: f.Name, Model: fillcalc.DensityModel(f.Model), DensityKgM3: f.DensityKgM3, AtC: *f.AtC,
		DensityU: *f.DensityUPct / 100,
	}
	for _, p := range f.Points {
		fluid.Points = append(fluid.Points, fillcalc.DensityPoint{C: p.C, KgM3: p.KgM3})
	}
	return fluid
}

// setup is what the fold needs of a cart; last holds its sensors' calibrations.
func (c *Cart) Setup(last map[string]*Calibration) *fillcalc.Setup {
	setup := &fillcalc.Setup{
		ReferenceC: *c.ReferenceC, AirKgM3: *c.AirKgM3,
		Caddy: fillcalc.CaddySetup{EmptyKg: c.Caddy.EmptyKg, HoldsL: c.Caddy.HoldsL},
	}
	for _, s := range c.Sensors {
		probe := fillcalc.ProbeSetup{Sensor: s.Name, LagS: *s.LagS, Calibration: last[s.Name].probe()}
		switch s.Role {
		case "transmission-temp":
			setup.Probe = probe
		case "caddy-temp":
			setup.CaddyProbe = probe
		case "coolant-temp":
			setup.Coolant = probe
		default:
			setup.Scales = append(setup.Scales, fillcalc.ScaleSetup{
				Sensor: s.Name, Load: fillcalc.Load(s.Role), ResolutionKg: s.ResolutionKg,
				RepeatabilityKg: *s.RepeatabilityKg, GainU: *s.GainUPct / 100, MaxFlowKgS: *s.MaxFlowKgS,
				Calibration: last[s.Name].scale(),
			})
		}
	}
	return setup
}

// JournalPath is where a cart's journal lies.
func (c *Config) JournalPath(cart string) string { return filepath.Join(c.Data, cart+".journal") }
