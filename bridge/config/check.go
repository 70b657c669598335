package config

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"bayfill/bridge/mqtt"
	"bayfill/bridge/recordkey"
	"bayfill/bridge/units"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Check returns the first mistake in a configuration whose defaults are set. The error
// begins with the path of the key and says what would be right. Check reads no files and
// no secrets.
func (c *Config) Check() error {
	if !NamePattern.MatchString(c.Shop) {
		return wrong("shop", "%q must be 1 to 32 of the characters a-z 0-9 - _", c.Shop)
	}
	if c.Data == "" {
		return wrong("data", "must name a folder for the journals")
	}
	if _, err := units.ParseSystem(c.Units); err != nil {
		return wrong("units", "%w", err)
	}
	if err := c.Identities.check(); err != nil {
		return within("identities", "", err)
	}
	for i, key := range c.Records.Keys {
		if _, err := recordkey.Parse(key); err != nil {
			return wrong(fmt.Sprintf("records.keys[%d]", i), "%w", err)
		}
	}
	for i, item := range c.Verdict.Items() {
		if known := fillcalc.WorkItems(); !slices.Contains(known, item) {
			return wrong(fmt.Sprintf("verdict.needs[%d]", i), "%.40q is not one of %v", item, known)
		}
	}
	if err := c.Broker.check(); err != nil {
		return within("broker", "", err)
	}
	switch c.Readings {
	case NoReadings, ChangedReadings, AllReadings:
	default:
		return wrong("readings", "%q is not one of off, changes, all", c.Readings)
	}
	// A smaller journal could not hold the events between two snapshots.
	if !(*c.Journal.MaxMB >= 10 && *c.Journal.MaxMB <= 1e6) {
		return wrong("journal.max_mb", "%g must be from 10 to 1000000: the max size of each cart's journal in megabytes", *c.Journal.MaxMB)
	}
	if err := c.History.check(); err != nil {
		return within("history", "", err)
	}
	if err := c.Monitor.check(); err != nil {
		return within("monitor", "", err)
	}
	if err := c.checkFluids(); err != nil {
		return err
	}
	if err := c.Stock.check(); err != nil {
		return within("stock", "", err)
	}
	return c.checkCarts()
}

func (c *Config) checkFluids() error {
	fluids := map[string]bool{}
	for i, f := range c.Fluids {
		if f.Name == "" || fluids[f.Name] {
			return wrong(fmt.Sprintf("fluids[%d].name", i), "%q must not be empty or used twice", f.Name)
		}
		fluids[f.Name] = true
		if !(*f.DensityUPct >= 0 && *f.DensityUPct < 10) {
			return wrong(fmt.Sprintf("fluids[%d].density_u_pct", i), "%g must be from 0 to less than 10", *f.DensityUPct)
		}
		// The journal keeps fluids as JSON, which has no NaN and no infinity.
		if _, err := json.Marshal(f.fluid()); err != nil {
			return wrong(fmt.Sprintf("fluids[%d]", i), "every figure must be a finite number: %w", err)
		}
		for _, cart := range c.Carts {
			if _, err := f.fluid().Density(*cart.ReferenceC); err != nil {
				return wrong(fmt.Sprintf("fluids[%d]", i), "%w", err)
			}
		}
	}
	return nil
}

func (c *Config) checkCarts() error {
	if len(c.Carts) == 0 {
		return wrong("carts", "at least one cart is needed")
	}
	carts, ports := map[string]bool{}, map[string]string{}
	for i := range c.Carts {
		cart := &c.Carts[i]
		if !NamePattern.MatchString(cart.Name) || carts[cart.Name] {
			return wrong(fmt.Sprintf("carts[%d].name", i), "%q must be 1 to 32 of the characters a-z 0-9 - _ and used only once", cart.Name)
		}
		carts[cart.Name] = true
		if err := cart.check(ports); err != nil {
			return within(fmt.Sprintf("carts[%d]", i), cart.Name, err)
		}
	}
	for i, u := range c.Broker.Users {
		for _, name := range u.Carts {
			if !carts[name] {
				return wrong(fmt.Sprintf("broker.users[%d].carts", i), "%q is not one of the configured carts, which are %s", name, strings.Join(slices.Sorted(maps.Keys(carts)), ", "))
			}
		}
	}
	return nil
}

// CheckSecrets reads the passwords, tokens, keys and certificates that the configuration
// names, as a run will. The error names the field of the first one that cannot be used.
func (c *Config) CheckSecrets() error {
	if _, err := c.NameKey(); err != nil {
		return err
	}
	if _, err := c.keptRecordKey(); err != nil {
		return err
	}
	if _, err := c.Broker.Password.Read(); err != nil {
		return wrong("broker.password", "%w", err)
	}
	if _, err := c.Broker.TLS(); err != nil {
		return err
	}
	if _, err := c.CommandKey(); err != nil {
		return err
	}
	for i := range c.Broker.Users {
		if _, err := c.Broker.UserPassword(i); err != nil {
			return err
		}
	}
	if _, err := c.History.Token.Read(); err != nil {
		return wrong("history.token", "%w", err)
	}
	return nil
}

// UserPassword reads the password of a user of the embedded broker. The error names the
// field.
func (b *Broker) UserPassword(i int) (string, error) {
	secret, err := b.Users[i].Password.Read()
	if err == nil && secret == "" {
		err = errors.New("it is empty, so anybody could connect: set a password")
	}
	if err != nil {
		return "", wrong(fmt.Sprintf("broker.users[%d].password", i), "%w", err)
	}
	return secret, nil
}

func (b *Broker) check() error {
	if (b.CertFile == "") != (b.KeyFile == "") {
		return wrong("cert_file", "belongs together with key_file: set both or neither")
	}
	if prefix := b.Discovery.Prefix; prefix != "" && (!topicPrefix.MatchString(prefix) || prefix == "bayfill" || strings.HasPrefix(prefix, "bayfill/")) {
		return wrong("discovery.prefix", "%q must be of the characters a-z A-Z 0-9 - _ /, as homeassistant is, and not begin with bayfill", prefix)
	}
	if len(b.External()) > 0 {
		return b.checkExternal()
	}
	if b.CAFile != "" {
		return wrong("ca_file", "belongs to url: remove it, because the embedded broker uses its own cert_file")
	}
	host, _, err := net.SplitHostPort(b.Listen)
	if err != nil {
		return wrong("listen", "%w", err)
	}
	if ip := net.ParseIP(host); len(b.Users) == 0 && (ip == nil || !ip.IsLoopback()) {
		return wrong("listen", "%s is not a loopback address: configure users before other computers can reach the broker", b.Listen)
	}
	names := map[string]bool{}
	for i, u := range b.Users {
		if u.Name == "" || names[u.Name] {
			return wrong(fmt.Sprintf("users[%d].name", i), "%q must not be empty or used twice", u.Name)
		}
		names[u.Name] = true
		if strings.Contains(u.Name, ":") {
			return wrong(fmt.Sprintf("users[%d].name", i), "%q must not contain a colon, which marks the program's own user", u.Name)
		}
		if u.Password == (Secret{}) {
			return wrong(fmt.Sprintf("users[%d].password", i), "must say where the password is kept, as in {file: …} or {env: …}")
		}
		for _, right := range u.May {
			if right != "read" && right != "command" {
				return wrong(fmt.Sprintf("users[%d].may", i), "%q is not one of read, command", right)
			}
		}
	}
	return nil
}

// checkExternal checks the addresses of an external broker.
var topicPrefix = regexp.MustCompile(`^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$`)

func (b *Broker) checkExternal() error {
	if b.URL != "" && len(b.URLs) > 0 {
		return wrong("urls", "takes the place of url: set one of them")
	}
	for i, address := range b.External() {
		key := "url"
		if b.URL == "" {
			key = fmt.Sprintf("urls[%d]", i)
		}
		if err := checkBrokerURL(key, address); err != nil {
			return err
		}
	}
	if len(b.Users) > 0 {
		return wrong("users", "belong to the embedded broker: remove them, because the broker at url has its own users")
	}
	return nil
}

func checkBrokerURL(key, address string) error {
	// Before any error that shows the address.
	if err := mqtt.CheckAddress(address); err != nil {
		return wrong(key, "%w: use username and password", err)
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return wrong(key, "%q must have a form like tcp://host:1883, tls://host:8883 or ws://host:80/mqtt", address)
	}
	switch u.Scheme {
	case "tcp", "mqtt", "tls", "ssl", "mqtts", "ws", "wss":
		return nil
	}
	return wrong(key, "scheme %q is not one of tcp, tls, ws, wss", u.Scheme)
}

func (h *History) check() error {
	switch h.BetweenJobs {
	case KeepNone, KeepMinute, KeepAll:
	default:
		return wrong("between_jobs", "%q is not one of none, minute, all", h.BetweenJobs)
	}
	if h.URL == "" {
		return nil
	}
	if err := mqtt.CheckAddress(h.URL); err != nil {
		return wrong("url", "%w: use token (user:password for InfluxDB 1.8)", err)
	}
	u, err := url.Parse(h.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return wrong("url", "%q must have a form like http://host:8086", h.URL)
	}
	if h.Bucket == "" {
		return wrong("bucket", "must name a bucket (database/retention for InfluxDB 1.8)")
	}
	return nil
}

func (m *Monitor) check() error {
	if m.Listen == "" {
		if m.Anywhere {
			return wrong("anywhere", "has no effect without listen: set listen, or remove it")
		}
		return nil
	}
	host, _, err := net.SplitHostPort(m.Listen)
	if err != nil {
		return wrong("listen", "%w", err)
	}
	if ip := net.ParseIP(host); !m.Anywhere && (ip == nil || !ip.IsLoopback()) {
		return wrong("listen", "%s is not a loopback address, so everybody in the network could read health and metrics: set anywhere: true to allow it", m.Listen)
	}
	return nil
}

func (c *Cart) check(ports map[string]string) error {
	names, roles := map[string]bool{}, map[string]bool{}
	for i := range c.Sensors {
		s := &c.Sensors[i]
		if !NamePattern.MatchString(s.Name) || names[s.Name] {
			return wrong(fmt.Sprintf("sensors[%d].name", i), "%q must be 1 to 32 of the characters a-z 0-9 - _ and used only once", s.Name)
		}
		names[s.Name] = true
		if roles[s.Role] {
			return wrong(fmt.Sprintf("sensors[%d].role", i), "another sensor of this cart has the role %s already", s.Role)
		}
		roles[s.Role] = true
		if s.Port == "" {
			return wrong(fmt.Sprintf("sensors[%d].port", i), "must not be empty")
		}
		if other, taken := ports[s.Port]; taken {
			return wrong(fmt.Sprintf("sensors[%d].port", i), "%q is already used by sensor %s", s.Port, other)
		}
		ports[s.Port] = s.Name
		if err := s.check(); err != nil {
			return within(fmt.Sprintf("sensors[%d]", i), s.Name, err)
		}
	}
	switch {
	case roles["caddy+supply"] && (roles["caddy"] || roles["supply"]):
		return wrong("sensors", "a scale with the role caddy+supply must be the cart's only scale")
	case !roles["caddy"] && !roles["caddy+supply"]:
		return wrong("sensors", "one scale must have the role caddy or caddy+supply")
	case !(*c.AirKgM3 > 0.5 && *c.AirKgM3 < 2):
		return wrong("air_kg_m3", "%g must be the density of air, which is about 1.2", *c.AirKgM3)
	case !(*c.ReferenceC >= 0 && *c.ReferenceC <= 60):
		return wrong("reference_c", "%g must be from 0 to 60", *c.ReferenceC)
	case !(c.Caddy.HoldsL >= 0 && c.Caddy.HoldsL <= 1000 && c.Caddy.EmptyKg >= 0 && c.Caddy.EmptyKg <= 1000):
		return wrong("caddy", "empty_kg and holds_l must be from 0 to 1000")
	}
	return nil
}

// Quantity returns what the sensor measures, which follows from its role.
func (s *Sensor) Quantity() sensors.Quantity {
	if strings.HasSuffix(s.Role, "-temp") {
		return sensors.Temperature
	}
	return sensors.Weight
}

func (s *Sensor) check() error {
	switch s.Role {
	case "caddy", "supply", "caddy+supply", "transmission-temp", "caddy-temp", "coolant-temp":
	default:
		return wrong("role", "%q is not one of caddy, supply, caddy+supply, transmission-temp, caddy-temp, coolant-temp", s.Role)
	}
	if _, err := sensors.ParseLineSettings(s.Line); err != nil {
		return wrong("line", "%w", err)
	}
	if s.Quantity() == sensors.Weight {
		switch {
		case !(s.ResolutionKg > 0 && s.ResolutionKg < 1):
			return wrong("resolution_kg", "%g must be the step of the scale's display, as in 0.005", s.ResolutionKg)
		case !(s.CapacityKg > s.ResolutionKg):
			return wrong("capacity_kg", "%g must be the scale's capacity, as in 30", s.CapacityKg)
		case !(*s.RepeatabilityKg >= 0 && *s.RepeatabilityKg < 1):
			return wrong("repeatability_kg", "%g must be from 0 to less than 1", *s.RepeatabilityKg)
		case !(*s.GainUPct >= 0 && *s.GainUPct < 10):
			return wrong("gain_u_pct", "%g must be from 0 to less than 10", *s.GainUPct)
		case !(*s.MaxFlowKgS > 0 && *s.MaxFlowKgS < 10):
			return wrong("max_flow_kg_s", "%g must be above 0 and below 10", *s.MaxFlowKgS)
		case *s.LagS != 0:
			return wrong("lag_s", "%g belongs to a probe, not to a scale: remove it", *s.LagS)
		}
	}
	if !(*s.LagS >= 0 && *s.LagS <= 300) {
		return wrong("lag_s", "%g must be from 0 to 300: the time in which the probe follows 63 %% of a sudden change", *s.LagS)
	}
	// The calculation treats three seconds without a weight, or ten without a
	// temperature, as a gap, so several polls must fit into that time.
	maxMs, reason := 1000, "a weight that is missing for 3 s hides what came and went meanwhile"
	if s.Quantity() == sensors.Temperature {
		maxMs, reason = 5000, "a temperature older than 10 s counts as unknown"
	}
	if s.PollMs < 10 || s.PollMs > maxMs {
		return wrong("poll_ms", "%d must be from 10 to %d: %s", s.PollMs, maxMs, reason)
	}
	if !(s.SilentAfterS >= 0.5 && s.SilentAfterS <= 600) {
		return wrong("silent_after_s", "%g must be from 0.5 to 600", s.SilentAfterS)
	}
	switch s.Registers {
	case "", "holding", "input":
	default:
		return wrong("registers", "%q is not one of holding, input", s.Registers)
	}
	_, err := s.protocol()
	return err
}
