package bridgetest

import (
	"compress/gzip"
	"context"
	"os"
	"testing"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
)

// Write writes lines into the default bucket, as everybody can who has the token.
func (i *Influx) Write(lines ...string) {
	i.T.Helper()
	i.WriteTo("bayfill/autogen", lines...)
}

// WriteTo writes lines into a bucket.
func (i *Influx) WriteTo(bucket string, lines ...string) {
	i.T.Helper()
	client := influxdb2.NewClient(i.URL, "")
	defer client.Close()
	if err := client.WriteAPIBlocking("", bucket).WriteRecord(context.Background(), lines...); err != nil {
		i.T.Fatal(err)
	}
}

// WriteGzip writes a compressed file that depends on its text alone: it holds no name
// and no time.
func WriteGzip(t testing.TB, path string, text []byte) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, _ := gzip.NewWriterLevel(f, gzip.BestCompression) // the level is a valid one
	if _, err := z.Write(text); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
}
