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
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sensors"
)

// Check returns the first mistake in a configuration whose defaults are set. The error
// begins with the path of the key and says what would be right. Check reads no files and
// no secrets.
func (c *Config) Check() error {
	if !NamePattern.MatchString(c.Shop) {
		return wrong("shop", "config.name", "typed", c.Shop)
	}
	if c.Data == "" {
		return wrong("data", "config.data")
	}
	if _, err := units.ParseSystem(c.Units); err != nil {
		return wrong("units", "config.choice", "typed", c.Units, "choices", "metric, us, imperial")
	}
	if err := c.Identities.check(); err != nil {
		return within("identities", "", err)
	}
	for i, key := range c.Records.Keys {
		if _, err := recordkey.Parse(key); err != nil {
			return wrong(fmt.Sprintf("records.keys[%d]", i), "config.because", "why", err)
		}
	}
	for i, item := range c.Verdict.Items() {
		if known := fillcalc.WorkItems(); !slices.Contains(known, item) {
			return wrong(fmt.Sprintf("verdict.needs[%d]", i), "config.choice", "typed", item, "choices", listed(known))
		}
	}
	if err := c.Broker.check(); err != nil {
		return within("broker", "", err)
	}
	switch c.Readings {
	case NoReadings, ChangedReadings, AllReadings:
	default:
		return wrong("readings", "config.choice", "typed", c.Readings, "choices", "off, changes, all")
	}
	// A smaller journal could not hold the events between two snapshots.
	if !(*c.Journal.MaxMB >= 10 && *c.Journal.MaxMB <= 1e6) {
		return wrong("journal.max_mb", "config.max_mb", "typed", *c.Journal.MaxMB)
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
			return wrong(fmt.Sprintf("fluids[%d].name", i), "config.unique", "typed", f.Name)
		}
		fluids[f.Name] = true
		if !(*f.DensityUPct >= 0 && *f.DensityUPct < 10) {
			return wrong(fmt.Sprintf("fluids[%d].density_u_pct", i), "config.below", "typed", *f.DensityUPct, "most", 10)
		}
		// The journal keeps fluids as JSON, which has no NaN and no infinity.
		if _, err := json.Marshal(f.fluid()); err != nil {
			return wrong(fmt.Sprintf("fluids[%d]", i), "config.finite", "why", err)
		}
		for _, cart := range c.Carts {
			if _, err := f.fluid().Density(*cart.ReferenceC); err != nil {
				return wrong(fmt.Sprintf("fluids[%d]", i), "config.because", "why", err)
			}
		}
	}
	return nil
}

func (c *Config) checkCarts() error {
	if len(c.Carts) == 0 {
		return wrong("carts", "config.no_carts")
	}
	carts, ports := map[string]bool{}, map[string]string{}
	for i := range c.Carts {
		cart := &c.Carts[i]
		if !NamePattern.MatchString(cart.Name) || carts[cart.Name] {
			return wrong(fmt.Sprintf("carts[%d].name", i), "config.name_once", "typed", cart.Name)
		}
		carts[cart.Name] = true
		if err := cart.check(ports); err != nil {
			return within(fmt.Sprintf("carts[%d]", i), cart.Name, err)
		}
	}
	for i, u := range c.Broker.Users {
		for _, name := range u.Carts {
			if !carts[name] {
				return wrong(fmt.Sprintf("broker.users[%d].carts", i), "config.which_cart", "typed", name, "known", strings.Join(slices.Sorted(maps.Keys(carts)), ", "))
			}
		}
	}
	return nil
}

// listed writes a closed list.
func listed[S ~string](list []S) string {
	var texts []string
	for _, s := range list {
		texts = append(texts, string(s))
	}
	return strings.Join(texts, ", ")
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
		return wrong("broker.password", "config.because", "why", err)
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
		return wrong("history.token", "config.because", "why", err)
	}
	return nil
}

// UserPassword reads the password of a user of the embedded broker. The error names the
// field.
func (b *Broker) UserPassword(i int) (string, error) {
	secret, err := b.Users[i].Password.Read()
	if err == nil && secret == "" {
		err = words.NewError("config.open_user")
	}
	if err != nil {
		return "", wrong(fmt.Sprintf("broker.users[%d].password", i), "config.because", "why", err)
	}
	return secret, nil
}

func (b *Broker) check() error {
	if (b.CertFile == "") != (b.KeyFile == "") {
		return wrong("cert_file", "config.pair")
	}
	if prefix := b.Discovery.Prefix; prefix != "" && (!topicPrefix.MatchString(prefix) || prefix == "bayfill" || strings.HasPrefix(prefix, "bayfill/")) {
		return wrong("discovery.prefix", "config.discovery_prefix", "typed", prefix)
	}
	if len(b.External()) > 0 {
		return b.checkExternal()
	}
	if b.CAFile != "" {
		return wrong("ca_file", "config.ca_file")
	}
	if _, _, err := net.SplitHostPort(b.Listen); err != nil {
		return wrong("listen", "config.because", "why", err)
	}
	if len(b.Users) == 0 && !b.Loopback() {
		return wrong("listen", "config.listen_users", "typed", b.Listen)
	}
	names := map[string]bool{}
	for i, u := range b.Users {
		if u.Name == "" || names[u.Name] {
			return wrong(fmt.Sprintf("users[%d].name", i), "config.unique", "typed", u.Name)
		}
		names[u.Name] = true
		if strings.Contains(u.Name, ":") {
			return wrong(fmt.Sprintf("users[%d].name", i), "config.colon", "typed", u.Name)
		}
		if u.Password == (Secret{}) {
			return wrong(fmt.Sprintf("users[%d].password", i), "config.password_place", "file", "{file: …}", "env", "{env: …}")
		}
		for _, right := range u.May {
			if right != "read" && right != "command" {
				return wrong(fmt.Sprintf("users[%d].may", i), "config.choice", "typed", right, "choices", "read, command")
			}
		}
	}
	return nil
}

// checkExternal checks the addresses of an external broker.
var topicPrefix = regexp.MustCompile(`^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$`)

func (b *Broker) checkExternal() error {
	if b.URL != "" && len(b.URLs) > 0 {
		return wrong("urls", "config.urls")
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
		return wrong("users", "config.users")
	}
	return nil
}

func checkBrokerURL(key, address string) error {
	// Before any error that shows the address.
	if err := mqtt.CheckAddress(address); err != nil {
		return wrong(key, "config.address_secret", "why", err)
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return wrong(key, "config.broker_url", "typed", address)
	}
	switch u.Scheme {
	case "tcp", "mqtt", "tls", "ssl", "mqtts", "ws", "wss":
		return nil
	}
	return wrong(key, "config.choice", "typed", u.Scheme, "choices", "tcp, tls, ws, wss")
}

func (h *History) check() error {
	switch h.BetweenJobs {
	case KeepNone, KeepMinute, KeepAll:
	default:
		return wrong("between_jobs", "config.choice", "typed", h.BetweenJobs, "choices", "none, minute, all")
	}
	if h.URL == "" {
		return nil
	}
	if err := mqtt.CheckAddress(h.URL); err != nil {
		return wrong("url", "config.history_secret", "why", err)
	}
	u, err := url.Parse(h.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return wrong("url", "config.history_url", "typed", h.URL)
	}
	if h.Bucket == "" {
		return wrong("bucket", "config.bucket")
	}
	return nil
}

func (m *Monitor) check() error {
	if m.Listen == "" {
		if m.Anywhere {
			return wrong("anywhere", "config.anywhere")
		}
		return nil
	}
	if _, _, err := net.SplitHostPort(m.Listen); err != nil {
		return wrong("listen", "config.because", "why", err)
	}
	if !m.Anywhere && !loopback(m.Listen) {
		return wrong("listen", "config.monitor_open", "typed", m.Listen)
	}
	return nil
}

func (c *Cart) check(ports map[string]string) error {
	names, roles := map[string]bool{}, map[string]bool{}
	for i := range c.Sensors {
		s := &c.Sensors[i]
		if !NamePattern.MatchString(s.Name) || names[s.Name] {
			return wrong(fmt.Sprintf("sensors[%d].name", i), "config.name_once", "typed", s.Name)
		}
		names[s.Name] = true
		if roles[s.Role] {
			return wrong(fmt.Sprintf("sensors[%d].role", i), "config.role_twice", "typed", s.Role)
		}
		roles[s.Role] = true
		if s.Port == "" {
			return wrong(fmt.Sprintf("sensors[%d].port", i), "config.empty")
		}
		if other, taken := ports[s.Port]; taken {
			return wrong(fmt.Sprintf("sensors[%d].port", i), "config.port_twice", "typed", s.Port, "sensor", other)
		}
		ports[s.Port] = s.Name
		if err := s.check(); err != nil {
			return within(fmt.Sprintf("sensors[%d]", i), s.Name, err)
		}
	}
	switch {
	case roles["caddy+supply"] && (roles["caddy"] || roles["supply"]):
		return wrong("sensors", "config.only_scale")
	case !roles["caddy"] && !roles["caddy+supply"]:
		return wrong("sensors", "config.no_caddy")
	case !(*c.AirKgM3 > 0.5 && *c.AirKgM3 < 2):
		return wrong("air_kg_m3", "config.air", "typed", *c.AirKgM3)
	case !(*c.ReferenceC >= 0 && *c.ReferenceC <= 60):
		return wrong("reference_c", "config.span", "typed", *c.ReferenceC, "least", 0, "most", 60)
	case !(c.Caddy.HoldsL >= 0 && c.Caddy.HoldsL <= 1000 && c.Caddy.EmptyKg >= 0 && c.Caddy.EmptyKg <= 1000):
		return wrong("caddy", "config.caddy")
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
		return wrong("role", "config.choice", "typed", s.Role, "choices", "caddy, supply, caddy+supply, transmission-temp, caddy-temp, coolant-temp")
	}
	if _, err := sensors.ParseLineSettings(s.Line); err != nil {
		return wrong("line", "config.because", "why", err)
	}
	if s.Quantity() == sensors.Weight {
		switch {
		case !(s.ResolutionKg > 0 && s.ResolutionKg < 1):
			return wrong("resolution_kg", "config.step", "typed", s.ResolutionKg)
		case !(s.CapacityKg > s.ResolutionKg):
			return wrong("capacity_kg", "config.capacity", "typed", s.CapacityKg)
		case !(*s.RepeatabilityKg >= 0 && *s.RepeatabilityKg < 1):
			return wrong("repeatability_kg", "config.below", "typed", *s.RepeatabilityKg, "most", 1)
		case !(*s.GainUPct >= 0 && *s.GainUPct < 10):
			return wrong("gain_u_pct", "config.below", "typed", *s.GainUPct, "most", 10)
		case !(*s.MaxFlowKgS > 0 && *s.MaxFlowKgS < 10):
			return wrong("max_flow_kg_s", "config.between", "typed", *s.MaxFlowKgS, "most", 10)
		case *s.LagS != 0:
			return wrong("lag_s", "config.lag_scale", "typed", *s.LagS)
		}
	}
	if !(*s.LagS >= 0 && *s.LagS <= 300) {
		return wrong("lag_s", "config.lag", "typed", *s.LagS)
	}
	// The calculation treats three seconds without a weight, or ten without a
	// temperature, as a gap, so several polls must fit into that time.
	maxMs, key := 1000, "config.poll_weight"
	if s.Quantity() == sensors.Temperature {
		maxMs, key = 5000, "config.poll_temperature"
	}
	if s.PollMs < 10 || s.PollMs > maxMs {
		return wrong("poll_ms", key, "typed", s.PollMs, "most", maxMs)
	}
	if !(s.SilentAfterS >= 0.5 && s.SilentAfterS <= 600) {
		return wrong("silent_after_s", "config.span", "typed", s.SilentAfterS, "least", 0.5, "most", 600)
	}
	switch s.Registers {
	case "", "holding", "input":
	default:
		return wrong("registers", "config.choice", "typed", s.Registers, "choices", "holding, input")
	}
	_, err := s.protocol()
	if refused := new(fillcalc.Refusal); errors.As(err, &refused) {
		return &keyError{key: refused.Field, err: &words.Error{Text: refused.Text}}
	}
	return err
}
