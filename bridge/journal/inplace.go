package journal

import (
	"fmt"
	"io/fs"
	"os"

	"bayfill/bridge/words"
)

// ErrGone is wrapped by errors about a journal whose files were deleted or replaced while
// it was open: what is written goes to files that nobody can find again.
var ErrGone = error(words.NewError("record.gone"))

// The ends of the names of a journal's files.
var ends = []string{"", "-wal", ".lock"}

// place is the files of an open journal as they were when they were first seen; nil: not
// seen yet. The write-ahead log appears with the first write.
type place [3]fs.FileInfo

// InPlace returns an error that wraps [ErrGone] unless the journal's files are those that
// were opened: with the same device and inode.
func (j *Journal) InPlace() error {
	j.placeMu.Lock()
	defer j.placeMu.Unlock()
	for i, end := range ends {
		now, err := os.Stat(j.path + end)
		switch before := j.place[i]; {
		case before == nil && err == nil:
			j.place[i] = now
		case before != nil && (err != nil || !os.SameFile(before, now)):
			return fmt.Errorf("%w (%s)", ErrGone, j.path+end)
		}
	}
	return nil
}
