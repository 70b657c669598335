// Package sensors turns the bytes of a serial port into Readings. It opens ports
// and reopens them when they come back, frames and decodes protocols, and reports
// what is wrong with a port. It knows nothing of jobs, carts or MQTT.
//
// # What it promises
//
// A frame gives the value that it states, or a fault and no value; nothing is
// guessed. A [Reading] is in kg or °C, rounded once, and carries the arrival of its
// last byte. Decoding allocates no memory, except that a regular expression of
// "line" allocates one slice. No reading is dropped: while the caller of
// [Sensor.Run] blocks, bytes wait in the kernel. Only garbled frames are limited,
// to ten a second. The condition of a port is a code with figures, [Status];
// [Status.Text] is the only place that writes it as a sentence.
//
// Not every damage can be seen. Of 8,000 frames per protocol from which bytes were
// lost at random (go test -run LostBytes -v), Modbus never gave a wrong value, and
// neither did SMA and lines of fixed width for single lost bytes. Lines without a
// width and SCPI cannot notice a missing digit: 806 and 665 wrong values. So set
// width where lines have a fixed length.
//
// # Goroutines
//
// [Sensor.Run] runs in its caller's goroutine and calls back from it. For a port
// that is sent requests it starts one goroutine that writes, and waits for it
// before it returns; one that is stuck in a write is left behind after a second.
// [Listen] starts none.
//
// # Serial ports
//
// A port is any io.ReadWriteCloser whose Read returns 0, nil after a short time
// without a byte, so serial ports, pseudo-terminals and pipes in memory are
// handled alike. [OpenSerial] locks the device against other programs. An open port
// takes one descriptor and no thread: the runtime's poller waits for its bytes.
//
// # Reading order
//
//	reading.go protocol.go  what a frame becomes; what a protocol is; units
//	decimal.go              numbers as instruments print them
//	sma.go line.go modbus.go scpi.go  one protocol each, its frame drawn above the code
//	status.go               conditions and their sentences
//	sensor.go session.go    a sensor's life; one opening of its port
//	port.go settings.go ports.go  serial ports: open, line settings, list
//	judge.go listen.go      finding out the protocol of an unknown instrument
//
// # How to add a protocol
//
// Write a file with its name: the frame drawn above a constructor that checks its
// [Options] (a refusal names the option and the key of a sentence, which stands in
// protocol.yaml of each language of bridge/words), and the functions Split and Parse.
// Add a row to [Protocols], its settings to [Options] and to config.Sensor, and what
// "bayfill listen" tries to judge.go and listen.go. With it come published frames in
// testdata/frames, a fuzz target in fuzz_test.go, an example in example_test.go, a row
// in bridge/config/protocols_test.go, a row in the table of protocols in each language
// of cmd/bayfill/topics, and sim/wire_<name>.go, written from the protocol's description
// and not from this code. A ready-made pattern for "line" is only a row in [Patterns], named by the
// shape of the line, and an example in the tests. The name of a protocol or pattern
// is a promise to the auditor: what it means never changes, and another meaning gets
// another name.
package sensors
