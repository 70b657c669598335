// Package sensors turns bytes from serial ports into Readings. It frames and
// decodes protocols, opens ports and opens them again when they come back, and
// says in words what is wrong with one. It has no idea of jobs.
//
// A protocol is a value of type [Protocol], made from the configuration by one
// of the constructors in [Protocols]; each lives in a file of its own, with its
// frame drawn above the code. Everything above the port sees only an
// io.ReadWriteCloser, so serial port, pseudo-terminal and in-memory pipe are
// one and the same.
package sensors
