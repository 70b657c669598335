package closing

import (
	"os"
	"path/filepath"
	"testing"

	"bayfill/bridge/points"
)

// Each record is appended once, also after a power cut in the middle of a line, and no line is
// ever changed.
func TestCopy(t *testing.T) {
	path := CopyPath(t.TempDir(), "bay2")
	record := func(at int64) points.Point {
		return points.Point{Measurement: points.JobMeasurement, AtNs: at, Fields: points.Fields{"job": "van-7", "chain": "ab", "seq": at}}
	}
	want := func(n int) {
		t.Helper()
		if list, err := ReadCopies(path); err != nil || len(list) != n || n > 0 && list[n-1].AtNs != int64(n) {
			t.Fatalf("%d records of %d: %v", len(list), n, err)
		}
	}
	want(0)
	for _, closings := range [][]points.Point{{record(1)}, {record(1), record(2)}, {record(1), record(2)}} {
		if err := Copy(path, "hilltop", "bay2", closings); err != nil {
			t.Fatal(err)
		}
		want(len(closings))
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, whole[:len(whole)-5], 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Copy(path, "hilltop", "bay2", []points.Point{record(1), record(2)}); err != nil {
		t.Fatal(err)
	}
	want(2)
	if mode, err := os.Stat(path); err != nil || mode.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", mode.Mode(), err)
	}
	if err := Copy(filepath.Join(path, "no-folder"), "hilltop", "bay2", []points.Point{record(3)}); err == nil {
		t.Error("a folder that is not there takes a record")
	}
}
