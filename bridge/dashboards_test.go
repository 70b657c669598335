package bridge

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/prometheus/client_golang/prometheus"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/audittest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/sim/study"
)

// example reads an example file from testdata.
func example(t *testing.T, elements ...string) string {
	t.Helper()
	text, err := os.ReadFile(bridgetest.Testdata(t, elements...))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The alert rules use only metrics that a bridge has.
func TestAlertRules(t *testing.T) {
	text := example(t, "prometheus", "bayfill.rules.yml")
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr string
				Annotations map[string]string
			}
		}
	}
	if err := yaml.Unmarshal([]byte(text), &rules); err != nil || len(rules.Groups) != 1 || len(rules.Groups[0].Rules) < 8 {
		t.Fatalf("%+v, %v", rules, err)
	}
	c := journaltest.BareConfig(t, t.TempDir(), `{listen: "127.0.0.1:0"}`)
	c.History.URL, c.History.Bucket = "http://127.0.0.1:1", "b"
	b, err := New(t.Context(), c, Options{Log: bridgetest.Log(), Open: bridgetest.Mute})
	if err != nil {
		t.Fatal(err)
	}
	defer b.close()
	described := make(chan *prometheus.Desc, 1000)
	b.registry.Describe(described)
	close(described)
	has := map[string]bool{}
	for d := range described {
		name := regexp.MustCompile(`fqName: "(\w+)"`).FindStringSubmatch(d.String())[1]
		has[name], has[name+"_bucket"] = true, true
	}
	for _, r := range rules.Groups[0].Rules {
		for _, name := range regexp.MustCompile(`bayfill_\w+`).FindAllString(r.Expr, -1) {
			if !has[name] {
				t.Errorf("%s: there is no metric %s", r.Alert, name)
			}
		}
		if r.Annotations["summary"] == "" {
			t.Errorf("%s says nothing", r.Alert)
		}
	}
}

// fieldsOfPoints are the fields that each measurement may have.
func fieldsOfPoints(t *testing.T) map[string]points.Fields {
	t.Helper()
	all := map[string]points.Fields{points.ReadingMeasurement: {"kg": 0, "c": 0}}
	c := audittest.HistoryConfig(t, "", "cart")
	journaltest.KeepJobs(t, c, []string{"job"}, study.Events(audittest.ShortJobs(t), 7, 1))
	j, err := journal.OpenReadOnly(c.JournalPath("cart"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	closed, err := j.Closings(t.Context())
	if err != nil || len(closed) != 1 {
		t.Fatalf("%d jobs, %v", len(closed), err)
	}
	all[points.JobMeasurement] = closed[0].Fields
	for _, p := range []points.Published{points.OfVolumes(&wire.Volumes{}), points.OfWindow(&wire.Window{}, 1)} {
		fields, err := points.ParseFields(p.Fields)
		if err != nil {
			t.Fatal(err)
		}
		all[p.Measurement] = fields
	}
	for _, name := range []string{"level", "level_window"} { // of jobs whose level was judged
		all[points.JobMeasurement][name] = ""
	}
	return all
}

// The dashboards ask only for measurements, fields and tags that the history has.
func TestDashboards(t *testing.T) {
	known := fieldsOfPoints(t)
	from, quoted := regexp.MustCompile(`FROM "(\w+)"`), regexp.MustCompile(`"(\w+)"`)
	files, err := filepath.Glob(bridgetest.Testdata(t, "grafana", "*.json"))
	if err != nil || len(files) != 2 {
		t.Fatalf("%v, %v", files, err)
	}
	for _, file := range files {
		var d struct {
			Panels []struct {
				Title   string
				Targets []struct{ Query string }
			}
		}
		if err := json.Unmarshal([]byte(example(t, "grafana", filepath.Base(file))), &d); err != nil || len(d.Panels) < 4 {
			t.Fatalf("%s: %d panels, %v", file, len(d.Panels), err)
		}
		for _, p := range d.Panels {
			for _, target := range p.Targets {
				m := from.FindStringSubmatch(target.Query)
				if m == nil || known[m[1]] == nil {
					t.Errorf("%s: no measurement of the history in %s", p.Title, target.Query)
					continue
				}
				for _, name := range quoted.FindAllStringSubmatch(strings.Replace(target.Query, m[0], "", 1), -1) {
					if _, field := known[m[1]][name[1]]; !field && name[1] != "shop" && name[1] != "cart" && name[1] != "sensor" {
						t.Errorf("%s: %s has no field %s", p.Title, m[1], name[1])
					}
				}
			}
		}
	}
}

// The examples for Telegraf and for a low-code flow name leaves and figures of the
// contract.
func TestExamplesOfConsumers(t *testing.T) {
	telegraf := example(t, "telegraf", "bayfill.conf")
	both := string(wire.Encode(wire.Volumes{})) + string(wire.Encode(wire.Window{}))
	keys := regexp.MustCompile(`included_keys = \[(.*)\]`).FindStringSubmatch(telegraf)[1]
	for _, key := range strings.Split(keys, ", ") {
		if !strings.Contains(both, key+":") {
			t.Errorf("no leaf has %s", key)
		}
	}
	var flow []map[string]any
	if err := json.Unmarshal([]byte(example(t, "flows", "window-opens.json")), &flow); err != nil {
		t.Fatal(err)
	}
	for _, name := range regexp.MustCompile(`msg\.payload\.(\w+)`).FindAllStringSubmatch(flow[1]["func"].(string), -1) {
		if !strings.Contains(both, `"`+name[1]+`":`) {
			t.Errorf("the window has no %s", name[1])
		}
	}
}
