package journal

import (
	"errors"
	"io/fs"
	"os"

	"bayfill/bridge/words"
)

// fileMode is the mode of a journal's files: they hold names of people and vehicles. The
// group may read them, for an auditor who is not the program's own user.
const fileMode fs.FileMode = 0o640

// protect refuses links, which may lead to a file that is not the program's. It creates a journal's file with its mode, or takes away what an earlier version or
// a copy gave to others. SQLite gives its write-ahead log and index the mode of the file.
func protect(path string) error {
	for _, end := range []string{"", "-wal", "-shm", ".lock"} {
		info, err := os.Lstat(path + end)
		if errors.Is(err, fs.ErrNotExist) && end == "" {
			f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, fileMode)
			if err != nil {
				return err
			}
			f.Close()
			continue
		}
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if info.Mode()&fs.ModeSymlink != 0 {
			return words.NewError("record.link", "path", path+end)
		}
		if mode := info.Mode().Perm(); mode&^fileMode != 0 {
			if err := os.Chmod(path+end, mode&fileMode); err != nil {
				return err
			}
		}
	}
	return nil
}
