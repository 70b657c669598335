package mqtt

import (
	"errors"
	"io"
	"net"
	"strings"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"bayfill/bridge/words"
)

// explained says in plain words why there is no connection to a broker, and what to look
// at. Its cause is what the library said.
func explained(err error) error {
	key := "reach.because"
	var op *net.OpError
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		key = "reach.no_broker"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		key = "reach.id"
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		key = "reach.crowded"
	case LoginRefused(err):
		key = "reach.login"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET):
		key = "reach.ended"
	case strings.Contains(err.Error(), "i/o timeout"): // the library hides its kind
		key = "system.no_answer"
	case errors.As(err, &op) && op.Op != "remote error":
		return words.NewError(key, "why", op.Err) // the address stands before it
	}
	return words.NewError(key, "why", err)
}
