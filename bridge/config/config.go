package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"bayfill/bridge/clock"
	"bayfill/bridge/names"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Config is the whole configuration file. Every key of the file is a field here or in a
// type below; any other key is an error.
type Config struct {
	Shop        string     `yaml:"shop"`
	Data        string     `yaml:"data"`
	ServiceData string     `yaml:"service_data"` // folder
	Units       string     `yaml:"units"`
	Identities  Identities `yaml:"identities"`
	Broker      Broker     `yaml:"broker"`
	Readings    Readings   `yaml:"readings"`
	Commands    Commands   `yaml:"commands"`
	Records     Records    `yaml:"records"`
	Verdict     Verdict    `yaml:"verdict"`
	Journal     Journal    `yaml:"journal"`
	History     History    `yaml:"history"`
	Monitor     Monitor    `yaml:"monitor"`
	Fluids      []Fluid    `yaml:"fluids"`
	Stock       Stock      `yaml:"stock"`
	Carts       []Cart     `yaml:"carts"`
}

// Broker is the address of an external broker, or the settings of the embedded one.
type Broker struct {
	URL      string   `yaml:"url"`
	URLs     []string `yaml:"urls"` // the nodes of one broker, tried in turn; in the place of url
	CAFile   string   `yaml:"ca_file"`
	CertFile string   `yaml:"cert_file"` // with url: the program's client certificate; embedded: the broker's certificate
	KeyFile  string   `yaml:"key_file"`
	Username string   `yaml:"username"`
	Password Secret   `yaml:"password"`

	Discovery Discovery `yaml:"discovery"`

	Listen string `yaml:"listen"` // embedded
	Users  []User `yaml:"users"`
}

// Discovery says whether the carts are announced to tools that find devices by themselves.
type Discovery struct {
	Prefix string `yaml:"prefix"` // of the topics; empty: they are not
}

// Loopback reports whether only this machine reaches the bridge's own broker.
func (b *Broker) Loopback() bool { return loopback(b.Listen) }

// loopback reports whether an address with a port is one of this machine only.
func loopback(listen string) bool {
	host, _, _ := net.SplitHostPort(listen)
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// External returns the addresses of an external broker; none: the embedded one is used.
func (b *Broker) External() []string {
	if b.URL != "" {
		return []string{b.URL}
	}
	return b.URLs
}

// Readings says which raw readings are published on MQTT. The journal has all of them.
type Readings string

const (
	NoReadings      Readings = "off"
	ChangedReadings Readings = "changes" // those that differ from the last one published
	AllReadings     Readings = "all"
)

// User is a user of the embedded broker. Reading and commanding are separate rights.
type User struct {
	Name     string   `yaml:"name"`
	Password Secret   `yaml:"password"`
	May      []string `yaml:"may"`   // read, command
	Carts    []string `yaml:"carts"` // empty: all carts
}

// Commands says what a command needs besides its sender's right.
type Commands struct {
	Key Secret `yaml:"key"` // signs the commands; without one, commands need no signature
}

// Records says whose closing records an audit trusts beside those of this installation, and
// where else they are kept.
type Records struct {
	Keys []string `yaml:"keys"` // public keys, 64 hexadecimal digits each
	Also string   `yaml:"also"` // a folder to which each closing record is appended too; empty: none
}

// Verdict says what the shop needs for a pass.
type Verdict struct {
	Needs *[]string `yaml:"needs"` // items of work
}

// Items returns the needed items.
func (v *Verdict) Items() (list []fillcalc.Item) {
	for _, item := range *v.Needs {
		list = append(list, fillcalc.Item(item))
	}
	return list
}

// Journal limits the carts' journals.
type Journal struct {
	MaxMB *float64 `yaml:"max_mb"` // of each cart, in 1,000,000 bytes
}

// MaxBytes returns the limit in bytes.
func (j *Journal) MaxBytes() int64 { return int64(*j.MaxMB * 1e6) }

// History is an InfluxDB with the version 2 write API. Without a URL there is no history.
type History struct {
	URL    string `yaml:"url"`
	Org    string `yaml:"org"`
	Bucket string `yaml:"bucket"`
	Token  Secret `yaml:"token"`
	// BetweenJobs is what the history gets of the time in which no job is open. Jobs are
	// always whole.
	BetweenJobs BetweenJobs `yaml:"between_jobs"`
}

// BetweenJobs is how much of the time between jobs is kept in the history. Commands and
// starts always are.
type BetweenJobs string

const (
	KeepNone   BetweenJobs = "none"
	KeepMinute BetweenJobs = "minute" // one reading of each sensor a minute
	KeepAll    BetweenJobs = "all"
)

// Monitor is where health and metrics are served. Without an address they are not.
type Monitor struct {
	Listen   string `yaml:"listen"`
	Anywhere bool   `yaml:"anywhere"` // the address need not be a loopback address
}

// Secret says where a secret is kept. The secret itself is never in the file.
type Secret struct {
	File string `yaml:"file"`
	Env  string `yaml:"env"`
}

// Read returns the secret, without the line end of its file. An empty Secret gives an
// empty string.
func (s Secret) Read() (string, error) {
	switch {
	case s.File != "" && s.Env != "":
		return "", words.NewError("config.two_places")
	case s.File != "":
		text, err := os.ReadFile(s.File)
		if err != nil {
			return "", err
		}
		return strings.TrimRight(string(text), "\r\n"), nil
	case s.Env != "":
		text, ok := os.LookupEnv(s.Env)
		if !ok {
			return "", words.NewError("config.no_variable", "variable", s.Env)
		}
		return text, nil
	}
	return "", nil
}

// key reads a secret that is used as a key.
func (s Secret) key() ([]byte, error) {
	text, err := s.Read()
	if err == nil && len(text) < 16 {
		err = words.NewError("config.short_key")
	}
	return []byte(text), err
}

// CommandKey reads the key that signs commands. It is nil when the Secret is empty.
func (s Secret) CommandKey() ([]byte, error) {
	if s == (Secret{}) {
		return nil, nil
	}
	return s.key()
}

// Fluid is a fluid's data sheet.
type Fluid struct {
	Name        string   `yaml:"name"`
	Model       string   `yaml:"model"`
	DensityKgM3 float64  `yaml:"density_kg_m3"`
	AtC         *float64 `yaml:"at_c"` // temperature of that density
	Points      []Point  `yaml:"points"`
	DensityUPct *float64 `yaml:"density_u_pct"` // standard uncertainty, percent
}

// Point is one measured density.
type Point struct {
	C    float64 `yaml:"c"`
	KgM3 float64 `yaml:"kg_m3"`
}

// Cart is one instrumented cart.
type Cart struct {
	Name       string   `yaml:"name"`
	ReferenceC *float64 `yaml:"reference_c"`
	AirKgM3    *float64 `yaml:"air_kg_m3"`
	Caddy      Caddy    `yaml:"caddy"`
	Sensors    []Sensor `yaml:"sensors"`
}

// Caddy says when the caddy is full.
type Caddy struct {
	EmptyKg float64 `yaml:"empty_kg"` // the container's own weight
	HoldsL  float64 `yaml:"holds_l"`  // its capacity
}

// Sensor is one instrument on one port.
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

// NamePattern is the form of the names of shops, carts, sensors and service data, which
// are parts of topics and file names.
var NamePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`)

// Load reads and checks a configuration file. The error joins all that is wrong with it:
// each names the file, the line and the key, or the key's path, and says what would be right.
func Load(path string) (*Config, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, words.NewError("config.none", "why", err)
	}
	if err != nil {
		return nil, err
	}
	c, err := Parse(text)
	return c, InFile(path, err)
}

// InFile puts the path of a file before each of the joined errors.
func InFile(path string, err error) error {
	var list []error
	for _, one := range Faults(err) {
		list = append(list, fmt.Errorf("%s: %w", path, one))
	}
	return errors.Join(list...)
}

// Parse reads and checks the text of a configuration. The error joins all that is wrong with
// it, in the order of its lines, see [Faults].
func Parse(text []byte) (*Config, error) {
	var c Config
	err := readYAML(text, &c, func() error { c.defaults(); return c.Check() })
	if err != nil {
		return nil, err
	}
	return &c, nil
}

// orElse sets a field that the file does not set.
func orElse(field **float64, value float64) {
	if *field == nil {
		*field = &value
	}
}

func (c *Config) defaults() {
	if c.Broker.Listen == "" {
		c.Broker.Listen = "127.0.0.1:1883"
	}
	if c.Verdict.Needs == nil {
		// What keeps the pan on and the floor dry (common practice, no source).
		c.Verdict.Needs = &[]string{string(fillcalc.Torque), string(fillcalc.Leaks)}
	}
	c.Readings = cmp.Or(c.Readings, ChangedReadings)
	c.Identities.Technician = cmp.Or(c.Identities.Technician, names.KeepFull)
	c.Identities.Vehicle = cmp.Or(c.Identities.Vehicle, names.KeepFull)
	c.History.BetweenJobs = cmp.Or(c.History.BetweenJobs, KeepMinute)
	// About three weeks of a cart with two scales at ten readings a second and a probe at
	// two.
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
			s.Line = cmp.Or(s.Line, "9600 8N1")
			s.Registers = cmp.Or(s.Registers, "holding")
			// A settled weighing scatters by less than half a display step.
			orElse(&s.RepeatabilityKg, s.ResolutionKg*0.4)
			orElse(&s.GainUPct, 0.05)
			// Twice the fastest flow from a dropped pan (common practice, no source).
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
				s.SilentAfterS = 2.5 // so that a board shows it within three seconds
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

// Driver makes the driver of a sensor, whose times run on the clock.
func (s *Sensor) Driver(clock *clock.Clock) (*sensors.Sensor, error) {
	protocol, err := s.protocol()
	if err != nil {
		return nil, err
	}
	line, err := sensors.ParseLineSettings(s.Line)
	if err != nil {
		return nil, err
	}
	silentAfter := clock.RealTime(time.Duration(s.SilentAfterS * float64(time.Second)))
	// A read returns after this time at the latest. A polled sensor must be asked again in
	// time. One that sends by itself waits long, since each return without a byte wakes the
	// process; the second return in a row is when its silence is reported.
	wait := min(silentAfter/2, 1250*time.Millisecond)
	if protocol.Poll != nil {
		wait = 100 * time.Millisecond
	}
	return &sensors.Sensor{
		Name: s.Name, Quantity: s.Quantity(), Protocol: protocol,
		Open:        func() (io.ReadWriteCloser, error) { return sensors.OpenSerial(s.Port, line, wait) },
		SevenBits:   line.DataBits == 7,
		PollEvery:   clock.RealTime(time.Duration(s.PollMs) * time.Millisecond),
		SilentAfter: silentAfter,
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

// Setup returns what the fold needs to know about a cart of a shop. last holds the newest
// calibration of each of its sensors, by name.
func (c *Cart) Setup(shop string, last map[string]*Calibration) *fillcalc.Setup {
	setup := &fillcalc.Setup{
		Shop: shop, Cart: c.Name, ReferenceC: *c.ReferenceC, AirKgM3: *c.AirKgM3,
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

// JournalPath returns the file of a cart's journal.
func (c *Config) JournalPath(cart string) string { return filepath.Join(c.Data, cart+".journal") }
