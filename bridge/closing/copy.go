package closing

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"bayfill/bridge/points"
	"bayfill/bridge/words"
)

// CopyPath returns the file of a cart's closing records in the folder of the second place.
func CopyPath(folder, cart string) string { return filepath.Join(folder, cart+".records") }

// Copy appends to a second place the closing records of a cart that it lacks: those that
// ended after the newest one there, a line of line protocol each. It never changes a line. It
// returns after fsync; after an error, the next call continues.
func Copy(path, shop, cart string, closings []points.Point) (err error) {
	there, torn, err := readCopies(path)
	if err != nil {
		return err
	}
	newestNs := int64(-1 << 63)
	for i := range there {
		newestNs = max(newestNs, there[i].AtNs)
	}
	var text bytes.Buffer
	if torn { // the end of a write that a power cut has cut off stays a line of its own
		text.WriteByte('\n')
	}
	n := text.Len()
	for i := range closings {
		if p := &closings[i]; p.AtNs > newestNs {
			text.WriteString(p.Line(shop, cart) + "\n")
		}
	}
	if text.Len() == n {
		return nil
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil {
		return words.NewError("record.copies", "why", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err = f.Write(text.Bytes()); err == nil {
		err = f.Sync()
	}
	if err != nil {
		return words.NewError("record.copies", "why", err)
	}
	return nil
}

// ReadCopies reads the closing records in a second place; none if there is no file yet. Lines
// that are no closing records are left out.
func ReadCopies(path string) ([]points.Point, error) {
	list, _, err := readCopies(path)
	return list, err
}

func readCopies(path string) (list []points.Point, torn bool, err error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, words.NewError("record.copies", "why", err)
	}
	for line := range bytes.Lines(text) {
		if p, _, _, err := points.ParseLine(string(bytes.TrimSuffix(line, []byte("\n")))); err == nil && p.Measurement == points.JobMeasurement {
			list = append(list, p)
		}
	}
	return list, len(text) > 0 && text[len(text)-1] != '\n', nil
}
