package wire_test

import (
	"fmt"

	"bayfill/bridge/wire"
)

func ExampleParseCommand() {
	c, err := wire.ParseCommand([]byte(`{"id":"k-17","do":"phase","phase":"draining","by":"Ada"}`))
	fmt.Println(c.ID, c.Do, c.By, err)
	_, err = wire.ParseCommand([]byte(`{"id":"k-18","do":"phase","phase":"drain"}`))
	fmt.Println(wire.Refuse(err).Error)
	_, err = wire.ParseCommand([]byte(`{"id":"k-19","do":"phase","fase":"draining"}`))
	fmt.Println(err)
	// Output:
	// k-17 phase Ada <nil>
	// phase: "drain" is not one of draining, service, filling, running, checking.
	// fase: not a field of phase: did you mean phase?
}

func ExampleSigner_Sign() {
	var unsigned *wire.Signer // a shop without a key
	fmt.Println(string(unsigned.Sign("bayfill/hilltop/bay2/commands", []byte(`{"id":"k-17","do":"close"}`))))
	// Output:
	// {"id":"k-17","do":"close"}
}
