//go:build !race

package direct

import (
	"syscall"
	"unsafe"
)

// rawCall makes the system call without telling the scheduler.
func rawCall(trap, fd uintptr, b []byte) (int, syscall.Errno) {
	n, _, errno := syscall.RawSyscall(trap, fd, uintptr(unsafe.Pointer(unsafe.SliceData(b))), uintptr(len(b)))
	return int(n), errno
}
