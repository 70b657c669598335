package sim

import (
	"os"

	"golang.org/x/sys/unix"
)

// speeds a sensor may have, with the kernel's code for each.
var speeds = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200,
}

// makeRaw lets every byte through as it is, before the first one is sent, and starts at the sensor's own speed: who opens
// the port without setting a speed reads it right.
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

// termios are the settings that the reader made, seen from the master. The second version of the call knows odd speeds.
func termios(master *os.File) (t *unix.Termios, err error) {
	err = os.ErrClosed
	onDescriptor(master, func(fd int) { t, err = unix.IoctlGetTermios(fd, unix.TCGETS2) })
	return t, err
}

// delivered is what the kernel hands the reader of characters from a UART: with input parity checking on, a bad one becomes
// a zero byte; without, it comes as it was sampled.
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
