package config

import (
	"encoding/json"
	"errors"
	"fmt"
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

// Check returns all mistakes in a configuration whose defaults are set, as [Faults] lists them.
// Each begins with the path of the key and says what would be right. Check reads no files and
// no secrets.
func (c *Config) Check() error {
	_, noSystem := units.ParseSystem(c.Units)
	return errors.Join(
		unless(NamePattern.MatchString(c.Shop), wrong("shop", "config.name", "typed", c.Shop)),
		unless(c.Data != "", wrong("data", "config.data")),
		unless(noSystem == nil, wrong("units", "config.choice", "typed", c.Units, "choices", "metric, us, imperial")),
		within("identities", "", c.Identities.check()),
		within("records", "", c.Records.check()),
		within("verdict", "", c.Verdict.check()),
		within("broker", "", c.Broker.check()),
		oneOf("readings", c.Readings, NoReadings, ChangedReadings, AllReadings),
		// A smaller journal could not hold the events between two snapshots.
		unless(*c.Journal.MaxMB >= 10 && *c.Journal.MaxMB <= 1e6, wrong("journal.max_mb", "config.max_mb", "typed", *c.Journal.MaxMB)),
		within("history", "", c.History.check()),
		within("monitor", "", c.Monitor.check()),
		c.checkFluids(),
		within("stock", "", c.Stock.check()),
		c.checkCarts(),
		c.checkCartsOfUsers(),
	)
}

// oneOf refuses a value that is not in a closed list.
func oneOf[S ~string](key string, typed S, choices ...S) error {
	return unless(slices.Contains(choices, typed), wrong(key, "config.choice", "typed", fmt.Sprintf("%.40s", typed), "choices", listed(choices)))
}

func (r *Records) check() error {
	var bad []error
	for i, key := range r.Keys {
		if _, err := recordkey.Parse(key); err != nil {
			bad = append(bad, wrong(fmt.Sprintf("keys[%d]", i), "config.public_key", "typed", fmt.Sprintf("%.80s", key)))
		}
	}
	return errors.Join(bad...)
}

func (v *Verdict) check() error {
	var bad []error
	for i, item := range v.Items() {
		bad = append(bad, oneOf(fmt.Sprintf("needs[%d]", i), item, fillcalc.WorkItems()...))
	}
	return errors.Join(bad...)
}

func (c *Config) checkFluids() error {
	var bad []error
	seen := map[string]bool{}
	for i := range c.Fluids {
		f, at := &c.Fluids[i], fmt.Sprintf("fluids[%d]", i)
		bad = append(bad, unless(f.Name != "" && !seen[f.Name], wrong(at+".name", "config.unique", "typed", f.Name)))
		seen[f.Name] = true
		bad = append(bad, unless(*f.DensityUPct >= 0 && *f.DensityUPct < 10, wrong(at+".density_u_pct", "config.below", "typed", *f.DensityUPct, "most", 10)))
		bad = append(bad, oneOf(at+".model", fillcalc.DensityModel(f.Model), fillcalc.Oil1980, fillcalc.Oil2004, fillcalc.DensityPoints))
		bad = append(bad, c.checkDensity(at, f.fluid()))
	}
	return errors.Join(bad...)
}

// checkDensity checks that the density of a fluid is known at each cart's reference
// temperature. at is the fluid's place in the file.
func (c *Config) checkDensity(at string, fluid fillcalc.Fluid) error {
	// The journal keeps fluids as JSON, which has no NaN and no infinity.
	if _, err := json.Marshal(fluid); err != nil {
		return unless(false, wrong(at, "config.finite", "why", err), at+".density_u_pct")
	}
	for i, cart := range c.Carts {
		if _, err := fluid.Density(*cart.ReferenceC); err != nil {
			return unless(false, wrong(at, "config.because", "why", err), at+".model", fmt.Sprintf("carts[%d].reference_c", i))
		}
	}
	return nil
}

func (c *Config) checkCarts() error {
	if len(c.Carts) == 0 {
		return wrong("carts", "config.no_carts")
	}
	var bad []error
	seen, ports := map[string]bool{}, map[string]string{}
	for i := range c.Carts {
		cart, at := &c.Carts[i], fmt.Sprintf("carts[%d]", i)
		bad = append(bad, unless(NamePattern.MatchString(cart.Name) && !seen[cart.Name], wrong(at+".name", "config.name_once", "typed", cart.Name)))
		seen[cart.Name] = true
		bad = append(bad, within(at, cart.Name, cart.check(ports)))
	}
	return errors.Join(bad...)
}

// checkCartsOfUsers checks that users may use carts that there are.
func (c *Config) checkCartsOfUsers() error {
	if len(c.Carts) == 0 {
		return nil
	}
	var bad []error
	var known, given []string
	for i, cart := range c.Carts {
		known, given = append(known, cart.Name), append(given, fmt.Sprintf("carts[%d].name", i))
	}
	for i, u := range c.Broker.Users {
		for _, name := range u.Carts {
			err := wrong(fmt.Sprintf("broker.users[%d].carts", i), "config.which_cart", "typed", name, "known", strings.Join(slices.Sorted(slices.Values(known)), ", "))
			bad = append(bad, unless(slices.Contains(known, name), err, given...))
		}
	}
	return errors.Join(bad...)
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
// names, as a run will. The error names the field of each one that cannot be used.
func (c *Config) CheckSecrets() error {
	_, nameKey := c.NameKey()
	_, recordKey := c.keptRecordKey()
	_, password := c.Broker.Password.Read()
	_, tls := c.Broker.TLS()
	_, commandKey := c.CommandKey()
	_, token := c.History.Token.Read()
	bad := []error{nameKey, recordKey, because("broker.password", password), tls, commandKey}
	for i := range c.Broker.Users {
		_, err := c.Broker.UserPassword(i)
		bad = append(bad, err)
	}
	return errors.Join(append(bad, because("history.token", token))...)
}

// because refuses the value of a key for a reason that there is.
func because(key string, why error) error {
	return unless(why == nil, wrong(key, "config.because", "why", why))
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
	prefix := b.Discovery.Prefix
	fits := prefix == "" || topicPrefix.MatchString(prefix) && prefix != "bayfill" && !strings.HasPrefix(prefix, "bayfill/")
	err := errors.Join(
		unless((b.CertFile == "") == (b.KeyFile == ""), wrong("cert_file", "config.pair"), "key_file"),
		unless(fits, wrong("discovery.prefix", "config.discovery_prefix", "typed", prefix)),
	)
	if len(b.External()) > 0 {
		return errors.Join(err, b.checkExternal())
	}
	return errors.Join(err, b.checkEmbedded())
}

func (b *Broker) checkEmbedded() error {
	bad := []error{unless(b.CAFile == "", wrong("ca_file", "config.ca_file"), "url", "urls")}
	if _, _, err := net.SplitHostPort(b.Listen); err != nil {
		bad = append(bad, wrong("listen", "config.because", "why", err))
	} else {
		bad = append(bad, unless(len(b.Users) > 0 || b.Loopback(), wrong("listen", "config.listen_users", "typed", b.Listen), "users"))
	}
	seen := map[string]bool{}
	for i, u := range b.Users {
		bad = append(bad, within(fmt.Sprintf("users[%d]", i), "", errors.Join(
			unless(u.Name != "" && !seen[u.Name], wrong("name", "config.unique", "typed", u.Name)),
			unless(!strings.Contains(u.Name, ":"), wrong("name", "config.colon", "typed", u.Name)),
			unless(u.Password != Secret{}, wrong("password", "config.password_place", "file", "{file: …}", "env", "{env: …}")),
		)))
		seen[u.Name] = true
		for _, right := range u.May {
			bad = append(bad, oneOf(fmt.Sprintf("users[%d].may", i), right, "read", "command"))
		}
	}
	return errors.Join(bad...)
}

var topicPrefix = regexp.MustCompile(`^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$`)

// checkExternal checks the addresses of an external broker.
func (b *Broker) checkExternal() error {
	bad := []error{
		unless(b.URL == "" || len(b.URLs) == 0, wrong("urls", "config.urls")),
		unless(len(b.Users) == 0, wrong("users", "config.users")),
	}
	for i, address := range b.External() {
		key := "url"
		if b.URL == "" {
			key = fmt.Sprintf("urls[%d]", i)
		}
		bad = append(bad, checkBrokerURL(key, address))
	}
	return errors.Join(bad...)
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
	if !slices.Contains([]string{"tcp", "mqtt", "tls", "ssl", "mqtts", "ws", "wss"}, u.Scheme) {
		return wrong(key, "config.choice", "typed", u.Scheme, "choices", "tcp, tls, ws, wss")
	}
	return nil
}

func (h *History) check() error {
	between := oneOf("between_jobs", h.BetweenJobs, KeepNone, KeepMinute, KeepAll)
	if h.URL == "" {
		return between
	}
	return errors.Join(between, checkHistoryURL(h.URL), unless(h.Bucket != "", wrong("bucket", "config.bucket")))
}

func checkHistoryURL(address string) error {
	// Before any error that shows the address.
	if err := mqtt.CheckAddress(address); err != nil {
		return wrong("url", "config.history_secret", "why", err)
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return wrong("url", "config.history_url", "typed", address)
	}
	return nil
}

func (m *Monitor) check() error {
	if m.Listen == "" {
		return unless(!m.Anywhere, wrong("anywhere", "config.anywhere"), "listen")
	}
	if _, _, err := net.SplitHostPort(m.Listen); err != nil {
		return wrong("listen", "config.because", "why", err)
	}
	return unless(m.Anywhere || loopback(m.Listen), wrong("listen", "config.monitor_open", "typed", m.Listen), "anywhere")
}

func (c *Cart) check(ports map[string]string) error {
	var bad []error
	names, roles, given := map[string]bool{}, map[string]bool{}, []string{}
	for i := range c.Sensors {
		s, at := &c.Sensors[i], fmt.Sprintf("sensors[%d]", i)
		given = append(given, at+".role")
		other, taken := ports[s.Port]
		bad = append(bad,
			unless(NamePattern.MatchString(s.Name) && !names[s.Name], wrong(at+".name", "config.name_once", "typed", s.Name)),
			unless(!roles[s.Role] || !slices.Contains(sensorRoles, s.Role), wrong(at+".role", "config.role_twice", "typed", s.Role)),
			unless(s.Port != "", wrong(at+".port", "config.empty")),
			unless(s.Port == "" || !taken, wrong(at+".port", "config.port_twice", "typed", s.Port, "sensor", other)),
			within(at, s.Name, s.check()),
		)
		names[s.Name], roles[s.Role], ports[s.Port] = true, true, s.Name
	}
	return errors.Join(append(bad,
		unless(!roles["caddy+supply"] || !roles["caddy"] && !roles["supply"], wrong("sensors", "config.only_scale")),
		unless(roles["caddy"] || roles["caddy+supply"], wrong("sensors", "config.no_caddy"), given...),
		unless(*c.AirKgM3 > 0.5 && *c.AirKgM3 < 2, wrong("air_kg_m3", "config.air", "typed", *c.AirKgM3)),
		unless(*c.ReferenceC >= 0 && *c.ReferenceC <= 60, wrong("reference_c", "config.span", "typed", *c.ReferenceC, "least", 0, "most", 60)),
		unless(c.Caddy.HoldsL >= 0 && c.Caddy.HoldsL <= 1000 && c.Caddy.EmptyKg >= 0 && c.Caddy.EmptyKg <= 1000, wrong("caddy", "config.caddy")),
	)...)
}

// sensorRoles are what a sensor can be on its cart.
var sensorRoles = []string{"caddy", "supply", "caddy+supply", "transmission-temp", "caddy-temp", "coolant-temp"}

// Quantity returns what the sensor measures, which follows from its role.
func (s *Sensor) Quantity() sensors.Quantity {
	if strings.HasSuffix(s.Role, "-temp") {
		return sensors.Temperature
	}
	return sensors.Weight
}

func (s *Sensor) check() error {
	// What a sensor needs depends on its role.
	if err := oneOf("role", s.Role, sensorRoles...); err != nil {
		return err
	}
	bad := []error{
		unless(s.SilentAfterS >= 0.5 && s.SilentAfterS <= 600, wrong("silent_after_s", "config.span", "typed", s.SilentAfterS, "least", 0.5, "most", 600)),
		oneOf("registers", s.Registers, "holding", "input"),
	}
	if _, err := sensors.ParseLineSettings(s.Line); err != nil {
		bad = append(bad, wrong("line", "config.because", "why", err))
	}
	if s.Quantity() == sensors.Weight {
		bad = append(bad, s.checkScale())
	} else {
		bad = append(bad, s.checkPoll(5000, "config.poll_temperature"))
		bad = append(bad, unless(*s.LagS >= 0 && *s.LagS <= 300, wrong("lag_s", "config.lag", "typed", *s.LagS)))
	}
	_, err := s.protocol()
	for _, one := range Faults(err) {
		if option := new(fillcalc.Refusal); errors.As(one, &option) {
			one = &keyError{key: option.Field, err: &words.Error{Text: option.Text}}
		}
		bad = append(bad, one)
	}
	return errors.Join(bad...)
}

func (s *Sensor) checkScale() error {
	return errors.Join(
		unless(s.ResolutionKg > 0 && s.ResolutionKg < 1, wrong("resolution_kg", "config.step", "typed", s.ResolutionKg)),
		unless(s.CapacityKg > s.ResolutionKg, wrong("capacity_kg", "config.capacity", "typed", s.CapacityKg), "resolution_kg"),
		unless(*s.RepeatabilityKg >= 0 && *s.RepeatabilityKg < 1, wrong("repeatability_kg", "config.below", "typed", *s.RepeatabilityKg, "most", 1), "resolution_kg"),
		unless(*s.GainUPct >= 0 && *s.GainUPct < 10, wrong("gain_u_pct", "config.below", "typed", *s.GainUPct, "most", 10)),
		unless(*s.MaxFlowKgS > 0 && *s.MaxFlowKgS < 10, wrong("max_flow_kg_s", "config.between", "typed", *s.MaxFlowKgS, "most", 10)),
		unless(*s.LagS == 0, wrong("lag_s", "config.lag_scale", "typed", *s.LagS)),
		s.checkPoll(1000, "config.poll_weight"),
	)
}

// checkPoll checks the time between two polls. The calculation treats three seconds without a
// weight, or ten without a temperature, as a gap, so several polls must fit into that time.
func (s *Sensor) checkPoll(maxMs int, key string) error {
	return unless(s.PollMs >= 10 && s.PollMs <= maxMs, wrong("poll_ms", key, "typed", s.PollMs, "most", maxMs))
}
