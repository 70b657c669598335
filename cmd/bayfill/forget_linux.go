package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// forgetStart takes the pages of the program's file out of the process, since most were needed
// for its start only. They stay in the system's cache and come back when they are used. Where
// memory is short the system gives up first what no process has in use, and ends processes
// by how much they have. On an error the rest stays as it is, which does no harm.
func forgetStart() error {
	program, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return err
	}
	smaps, err := os.Open("/proc/self/smaps")
	if err != nil {
		return err
	}
	defer smaps.Close()
	list, err := unchangedMappings(smaps, program)
	if err != nil {
		return err
	}
	for _, m := range list {
		if _, _, errno := unix.Syscall(unix.SYS_MADVISE, m.from, m.to-m.from, unix.MADV_DONTNEED); errno != 0 {
			return errno
		}
	}
	return nil
}

// mapping is a stretch of the process's memory.
type mapping struct{ from, to uintptr }

// unchangedMappings lists the mappings of a file that cannot be written and of which every page
// is as in the file (proc_pid_smaps(5): Anonymous counts the others). A page that differs, as
// after a relocation, would not come back as it was.
func unchangedMappings(smaps io.Reader, file string) (list []mapping, err error) {
	var m mapping
	var access, name string
	lines := bufio.NewScanner(smaps)
	for lines.Scan() {
		line := lines.Text()
		var from, to uintptr
		var differKB int
		if n, _ := fmt.Sscanf(line, "%x-%x %s", &from, &to, &access); n == 3 {
			m = mapping{from, to}
			_, name, _ = strings.Cut(line, " /")
			continue
		}
		n, _ := fmt.Sscanf(line, "Anonymous: %d kB", &differKB)
		if n == 1 && differKB == 0 && "/"+name == file && strings.HasPrefix(access, "r-") {
			list = append(list, m)
		}
	}
	return list, lines.Err()
}
