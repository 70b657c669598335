package mqtt_test

import (
	"context"
	"fmt"
	"os"
	"os/signal"

	"bayfill/bridge/mqtt"
)

// A subscriber prints the volumes of all carts of a shop until it is interrupted.
func ExampleKeep() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	endpoint := mqtt.Endpoint{URLs: []string{"tcp://127.0.0.1:1883"}, ClientID: "volumes-printer", Username: "board", Password: "secret"}
	receive := func(m mqtt.Message) { fmt.Printf("%s %s\n", m.Topic, m.Payload) }
	mqtt.Keep(ctx, endpoint, func(ctx context.Context, c *mqtt.Conn) error {
		if err := c.Subscribe(ctx, receive, mqtt.Filter{Topic: "bayfill/hilltop/+/volumes", QoS: 1}); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-c.Lost():
			return c.Err()
		}
	}, func(err *mqtt.PlaceError) { fmt.Fprintln(os.Stderr, err) })
}
