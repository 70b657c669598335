//go:build race

package direct

import "syscall"

// rawCall makes the standard library's call: from it the race detector learns that what was
// written happened before what is read.
func rawCall(trap, fd uintptr, b []byte) (n int, errno syscall.Errno) {
	var err error
	if trap == syscall.SYS_READ {
		n, err = syscall.Read(int(fd), b)
	} else {
		n, err = syscall.Write(int(fd), b)
	}
	if err != nil {
		return 0, err.(syscall.Errno)
	}
	return n, 0
}
