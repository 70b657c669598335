package bridgetest

import (
	"context"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
)

// Write writes lines as anybody may who holds the token.
func (i *Influx) Write(lines ...string) {
	i.T.Helper()
	i.WriteTo("bayfill/autogen", lines...)
}

// WriteTo writes them to another bucket.
func (i *Influx) WriteTo(bucket string, lines ...string) {
	i.T.Helper()
	client := influxdb2.NewClient(i.URL, "")
	defer client.Close()
	if err := client.WriteAPIBlocking("", bucket).WriteRecord(context.Background(), lines...); err != nil {
		i.T.Fatal(err)
	}
}
