package sim

import (
	"os"

	"golang.org/x/sys/unix"
)

// speeds maps the speeds that a sensor may have to the kernel's codes.
var speeds = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200,
}

// makeRaw lets every byte pass unchanged and sets the sensor's speed, so that a reader which sets no speed reads correctly. It
// must be called before the first byte is sent.
func makeRaw(slave *os.File, baud int) error {
	fd := int(slave.Fd())
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | speeds[baud]
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

// termios returns the settings that the reader has made, read through the master. TCGETS2 also reports unusual speeds.
func termios(master *os.File) (t *unix.Termios, err error) {
	err = os.ErrClosed
	onDescriptor(master, func(fd int) { t, err = unix.IoctlGetTermios(fd, unix.TCGETS2) })
	return t, err
}

// delivered is what the kernel passes to the reader of characters from a UART: with input parity checking, a bad character
// becomes a zero byte; without it, the character passes as sampled.
func delivered(got []received, t *unix.Termios) []byte {
	var b []byte
	for _, r := range got {
		if r.bad && t.Iflag&unix.INPCK != 0 {
			r.b = 0
		}
		b = append(b, r.b)
	}
	return b
}
