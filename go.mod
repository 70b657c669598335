module bayfill

go 1.26.0

require (
	// MIT: edit distance, for "did you mean"
	github.com/agnivade/levenshtein v1.2.2
	// MIT: chromedp's types
	github.com/chromedp/cdproto v0.159.0
	// MIT: drives Chromium in the board's tests
	github.com/chromedp/chromedp v0.23.0
	// Apache-2.0: sd_notify and the watchdog
	github.com/coreos/go-systemd/v22 v22.7.0
	// MIT: pseudo-terminals of the simulator
	github.com/creack/pty v1.1.24
	// EPL-2.0 or EDL-1.0: MQTT client
	github.com/eclipse/paho.mqtt.golang v1.5.1
	// MIT: strict configuration with line and column, and the place drawn
	github.com/goccy/go-yaml v1.19.2
	// MIT: InfluxDB client; its blocking writer, and its requests for queries in InfluxQL, of which it has none
	github.com/influxdata/influxdb-client-go/v2 v2.14.0
	// MIT: reads line protocol back for chain and audit
	github.com/influxdata/line-protocol/v2 v2.2.1
	// MIT: the embedded broker
	github.com/mochi-mqtt/server/v2 v2.7.9
	// Apache-2.0: metrics, and the linter that promtool uses
	github.com/prometheus/client_golang v1.25.0
	// Apache-2.0: checks every message against its schema; tests only
	github.com/santhosh-tekuri/jsonschema/v6 v6.0.3
	// Apache-2.0: the command line with completions
	github.com/spf13/cobra v1.10.2
	// BSD-3: cobra's flags
	github.com/spf13/pflag v1.0.9
	// BSD-3: serial ports
	go.bug.st/serial v1.8.0
	// MIT: finds leaked goroutines; tests only
	go.uber.org/goleak v1.3.0
	// BSD-3: the proxy that the environment names
	golang.org/x/net v0.62.0
	// BSD-3: file locks, limits, the state of the clock
	golang.org/x/sys v0.50.0
	// BSD-3: width of the terminal
	golang.org/x/term v0.48.0
	// BSD-3: the journal: the part that must never break is the best-tested store there is; without cgo
	modernc.org/sqlite v1.62.0
	// MPL-2.0: property tests; tests only
	pgregory.net/rapid v1.3.0
)

require (
	github.com/apapsch/go-jsonmerge/v2 v2.0.0 // indirect
	github.com/beorn7/perks v1.0.1 // indirect
	github.com/cespare/xxhash/v2 v2.3.0 // indirect
	github.com/cpuguy83/go-md2man/v2 v2.0.6 // indirect
	github.com/dustin/go-humanize v1.1.0 // indirect
	github.com/go-json-experiment/json v0.0.0-20260213210345-44df1a37e875 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/gorilla/websocket v1.5.3 // indirect
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/influxdata/line-protocol v0.0.0-20200327222509-2487e7298839 // indirect
	github.com/kylelemons/godebug v1.1.0 // indirect
	github.com/mattn/go-isatty v0.0.24 // indirect
	github.com/munnerz/goautoneg v0.0.0-20191010083416-a7dc8b61c822 // indirect
	github.com/ncruces/go-strftime v1.1.0 // indirect
	github.com/oapi-codegen/runtime v1.0.0 // indirect
	github.com/prometheus/client_model v0.6.3 // indirect
	github.com/prometheus/common v0.72.0 // indirect
	github.com/prometheus/procfs v0.22.0 // indirect
	github.com/remyoudompheng/bigfft v0.0.0-20230129092748-24d4a6f8daec // indirect
	github.com/rs/xid v1.4.0 // indirect
	github.com/russross/blackfriday/v2 v2.1.0 // indirect
	go.yaml.in/yaml/v3 v3.0.5 // indirect
	golang.org/x/sync v0.24.0 // indirect
	golang.org/x/text v0.43.0 // indirect
	google.golang.org/protobuf v1.36.12 // indirect
	modernc.org/libc v1.80.1 // indirect
	modernc.org/mathutil v1.7.1 // indirect
	modernc.org/memory v1.12.1 // indirect
)
