package bridgetest

import (
	"compress/gzip"
	"os"
	"testing"
)

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
