package bridgetest

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// NATSNode is a nats-server of a cluster that speaks MQTT.
type NATSNode struct {
	Process
	Name, URL string
	monitor   string
}

// StartNATS starts three nodes of one broker, with the users of testdata/nats. Every
// password is "secret".
func StartNATS(t testing.TB) (nodes []*NATSNode) {
	t.Helper()
	path := NeedProgram(t, "nats-server")
	dir := t.TempDir()
	var routes []string
	for i := range 3 {
		nodes = append(nodes, &NATSNode{Name: fmt.Sprint("n", i+1), URL: "tcp://" + FreePort(t), monitor: FreePort(t)})
		routes = append(routes, "nats://"+FreePort(t))
	}
	access, err := os.ReadFile(Testdata(t, "nats", "access.conf"))
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range nodes {
		text := fmt.Sprintf("server_name: %s\nlisten: %q\nhttp: %q\njetstream { store_dir: %q }\ncluster { name: bayfill, listen: %q, routes: [\"%s\"] }\n"+
			"mqtt { listen: %q, stream_replicas: 3, js_api_timeout: \"1s\" }\n%s",
			n.Name, FreePort(t), n.monitor, filepath.Join(dir, n.Name), strings.TrimPrefix(routes[i], "nats://"), strings.Join(routes, `", "`),
			strings.TrimPrefix(n.URL, "tcp://"), access)
		file := filepath.Join(dir, n.Name+".conf")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		n.Process = Process{T: t, Path: path, Args: []string{"-c", file}, Env: []string{"BAYFILL_TEST_PASSWORD=secret"}}
		n.Start()
		t.Cleanup(func() {
			n.Stop(syscall.SIGKILL)
			if log := n.Log.String(); t.Failed() {
				t.Logf("%s: %s", n.Name, log[max(0, len(log)-2000):])
			}
		})
	}
	Eventually(t, 30*time.Second, "the cluster", func() bool { return Elected(nodes) })
	return nodes
}

// URLs returns the addresses of nodes.
func URLs(nodes []*NATSNode) (urls []string) {
	for _, n := range nodes {
		urls = append(urls, n.URL)
	}
	return urls
}

// Elected reports whether nodes that run lead everything that MQTT clients need: the
// streams of sessions, messages and retained messages, and each subscription.
func Elected(nodes []*NATSNode) bool {
	leads := leaders(nodes)
	for _, name := range leads {
		if !slices.ContainsFunc(nodes, func(n *NATSNode) bool { return n.Name == name && n.Cmd != nil }) {
			return false
		}
	}
	return len(leads) > 0
}

// LeaderOf returns which of the nodes leads a stream, as one that runs says it; empty:
// none does.
func LeaderOf(nodes []*NATSNode, stream string) string { return leaders(nodes)[stream] }

// leaders asks a node that runs who leads each stream and each consumer, by their names.
func leaders(nodes []*NATSNode) map[string]string {
	at := slices.IndexFunc(nodes, func(n *NATSNode) bool { return n.Cmd != nil })
	if at < 0 {
		return nil
	}
	r, err := http.Get("http://" + nodes[at].monitor + "/jsz?streams=true&consumers=true&accounts=true")
	if err != nil {
		return nil
	}
	defer r.Body.Close()
	type detail struct {
		Name      string
		Cluster   *struct{ Leader string } // nil: it has no replicas
		Consumers []detail                 `json:"consumer_detail"`
	}
	var found struct {
		Meta           struct{ Leader string } `json:"meta_cluster"`
		AccountDetails []struct {
			Streams []detail `json:"stream_detail"`
		} `json:"account_details"`
	}
	if json.NewDecoder(r.Body).Decode(&found) != nil || found.Meta.Leader == "" {
		return nil
	}
	leads := map[string]string{"": found.Meta.Leader}
	for _, a := range found.AccountDetails {
		for _, s := range a.Streams {
			for _, d := range append(s.Consumers, s) {
				if d.Cluster != nil {
					leads[d.Name] = d.Cluster.Leader
				}
			}
		}
	}
	return leads
}
