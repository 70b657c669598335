package mqtt_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"bayfill/bridge/mqtt"
)

// Each connection is a new client with a new will, and nothing that was not
// acknowledged is sent again.
func TestKeepStartsAfresh(t *testing.T) {
	broker := startFake(t, silent)
	var wills int
	e := mqtt.Endpoint{URLs: []string{broker.url}, ClientID: "kept", MaxRetry: 10 * time.Millisecond, Will: func() mqtt.Message {
		wills++
		return mqtt.Message{Topic: "will", Payload: fmt.Append(nil, wills)}
	}}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var uses int
	var failures []error
	mqtt.Keep(ctx, e, func(ctx context.Context, c *mqtt.Conn) error {
		uses++
		connect := next[*packets.ConnectPacket](broker)
		if connect.ClientIdentifier != "kept" || string(connect.WillMessage) != fmt.Sprint(uses) {
			t.Errorf("connection %d: client %q, will %q", uses, connect.ClientIdentifier, connect.WillMessage)
		}
		conn := <-broker.conns
		if uses == 3 {
			for len(broker.got) > 0 {
				t.Errorf("sent again: %v", <-broker.got)
			}
			cancel()
			return ctx.Err()
		}
		time.AfterFunc(50*time.Millisecond, func() { conn.Close() })
		err := waits["publish"](ctx, c)
		next[*packets.PublishPacket](broker)
		return err
	}, func(err *mqtt.PlaceError) { failures = append(failures, err) })
	if uses != 3 || len(failures) != 2 || failures[0] == nil || failures[1] == nil {
		t.Errorf("%d connections, failures %v", uses, failures)
	}
}

// The pause doubles up to the maximum.
func TestKeepPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var pauses []time.Duration
		last := time.Now()
		// The library refuses this address without waiting for a network.
		mqtt.Keep(ctx, mqtt.Endpoint{URLs: []string{"none://broker"}}, nil, func(err *mqtt.PlaceError) {
			pauses = append(pauses, time.Since(last).Round(time.Millisecond))
			last = time.Now()
			if len(pauses) == 6 {
				cancel()
			}
		})
		if want := []time.Duration{0, time.Second, 2 * time.Second, 4 * time.Second, 5 * time.Second, 5 * time.Second}; !slices.Equal(pauses, want) {
			t.Errorf("pauses %v, want %v", pauses, want)
		}
	})
}

// Keep ends with its context, whatever it waits for, and then reports no failure. It
// closes each connection.
func TestContextEndsKeep(t *testing.T) {
	failed := errors.New("failed")
	for what, c := range map[string]struct {
		answer func(packets.ControlPacket) packets.ControlPacket
		use    func(context.Context, *mqtt.Conn) error
	}{
		"dial": {answer: func(packets.ControlPacket) packets.ControlPacket { return nil }},
		"use": {healthy, func(ctx context.Context, _ *mqtt.Conn) error {
			<-ctx.Done()
			return ctx.Err()
		}},
		"pause": {healthy, func(context.Context, *mqtt.Conn) error { return failed }},
	} {
		broker := startFake(t, c.answer)
		ctx, cancel := context.WithCancel(t.Context())
		var ended sync.WaitGroup
		ended.Go(func() {
			mqtt.Keep(ctx, mqtt.Endpoint{URLs: []string{broker.url}, Timeout: time.Second}, c.use, func(err *mqtt.PlaceError) {
				if err.Err != failed {
					t.Errorf("%s: %v", what, err)
				}
			})
		})
		<-broker.conns
		time.Sleep(100 * time.Millisecond) // to get to the wait; the test holds without, too
		start := time.Now()
		cancel()
		ended.Wait()
		if took := time.Since(start); took > 800*time.Millisecond {
			t.Errorf("%s: ended after %v", what, took)
		}
		if c.use != nil {
			next[*packets.DisconnectPacket](broker)
		}
	}
}
