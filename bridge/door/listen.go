package door

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"bayfill/bridge/words"
)

// ErrInUse is wrapped by the error about an address that another process holds.
var ErrInUse = error(syscall.EADDRINUSE)

// TCP listens on an address like 127.0.0.1:1883. The caller adds to the error which
// setting holds the address.
func TCP(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		key := "reach.in_use_by"
		process, name := holder(address)
		if process == "" {
			key = "reach.in_use"
		}
		return nil, words.NewError(key, "address", address, "process", process, "name", name, "why", err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return nil, words.NewError("reach.elsewhere", "address", address)
	case errors.Is(err, syscall.EACCES):
		return nil, words.NewError("reach.low_port", "address", address)
	}
	return l, err
}

// holder returns the number and the name of the process that listens on an address. Linux shows
// the processes of other users to root only.
func holder(address string) (process, name string) {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return "", ""
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return "", ""
	}
	inodes := map[string]bool{}
	for _, table := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		addInodes(inodes, table, uint16(n))
	}
	descriptors, _ := filepath.Glob("/proc/[0-9]*/fd/*") // the pattern is right
	for _, fd := range descriptors {
		target, err := os.Readlink(fd)
		if err != nil || !inodes[strings.TrimSuffix(strings.TrimPrefix(target, "socket:["), "]")] {
			continue
		}
		process := filepath.Dir(filepath.Dir(fd))
		name, _ := os.ReadFile(filepath.Join(process, "comm"))
		return filepath.Base(process), strings.TrimSpace(string(name))
	}
	return "", ""
}

// addInodes adds the inodes of the sockets that listen on a port. The table is described
// in proc_net_tcp.txt of the Linux kernel: local address, remote address and state are the
// second to fourth column, the inode is the tenth; state 0A is LISTEN.
func addInodes(inodes map[string]bool, table string, port uint16) {
	text, err := os.ReadFile(table)
	if err != nil {
		return
	}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) > 9 && f[3] == "0A" && strings.HasSuffix(f[1], fmt.Sprintf(":%04X", port)) {
			inodes[f[9]] = true
		}
	}
}
