package bridgetest

import (
	"encoding/json"
	"fmt"
	"io"
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
// password is the variable BAYFILL_TEST_PASSWORD.
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
		n.Process = Process{T: t, Path: path, Args: []string{"-c", file}}
		n.Start()
		t.Cleanup(func() {
			n.Stop(syscall.SIGKILL)
			if log := n.Log.String(); t.Failed() {
				t.Logf("%s: %s", n.Name, log[max(0, len(log)-2000):])
			}
		})
	}
	Eventually(t, 30*time.Second, "the cluster", func() bool { return nodes[0].leader("") != "" })
	return nodes
}

// URLs returns the addresses of nodes.
func URLs(nodes []*NATSNode) (urls []string) {
	for _, n := range nodes {
		urls = append(urls, n.URL)
	}
	return urls
}

// Elected reports whether nodes that run lead everything that a client needs: its session,
// its messages and those that are retained.
func Elected(nodes []*NATSNode) bool {
	for _, stream := range []string{"$MQTT_sess", "$MQTT_msgs", "$MQTT_rmsgs"} {
		leads := LeaderOf(nodes, stream)
		if !slices.ContainsFunc(nodes, func(n *NATSNode) bool { return n.Name == leads && n.Cmd != nil }) {
			return false
		}
	}
	return true
}

// LeaderOf returns which of the nodes leads a stream, as one that runs says it; empty:
// none does.
func LeaderOf(nodes []*NATSNode, stream string) string {
	for _, n := range nodes {
		if n.Cmd != nil {
			return n.leader(stream)
		}
	}
	return ""
}

// leader asks the node's monitor. Without a stream it is the leader of the whole cluster.
func (n *NATSNode) leader(stream string) string {
	r, err := http.Get("http://" + n.monitor + "/jsz?streams=true&accounts=true")
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	body, _ := io.ReadAll(r.Body)
	type cluster struct{ Leader string }
	var found struct {
		MetaCluster    cluster `json:"meta_cluster"`
		AccountDetails []struct {
			StreamDetail []struct {
				Name    string
				Cluster cluster
			} `json:"stream_detail"`
		} `json:"account_details"`
	}
	if json.Unmarshal(body, &found) != nil {
		return ""
	}
	for _, a := range found.AccountDetails {
		for _, s := range a.StreamDetail {
			if s.Name == stream {
				return s.Cluster.Leader
			}
		}
	}
	if stream == "" {
		return found.MetaCluster.Leader
	}
	return ""
}
