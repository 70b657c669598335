package mqtt_test

import (
	"context"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"bayfill/bridge/mqtt"
)

// fakeBroker is a broker that does only what a test wants.
type fakeBroker struct {
	t      *testing.T
	url    string
	answer func(packets.ControlPacket) packets.ControlPacket
	conns  chan net.Conn // each that was accepted
	got    chan packets.ControlPacket
}

// startFake starts a broker that answers each packet with what answer returns; nil: it
// does not answer.
func startFake(t *testing.T, answer func(packets.ControlPacket) packets.ControlPacket) *fakeBroker {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &fakeBroker{t: t, url: "tcp://" + listener.Addr().String(), answer: answer,
		conns: make(chan net.Conn, 100), got: make(chan packets.ControlPacket, 100)}
	var running sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	running.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, conn)
			mu.Unlock()
			b.conns <- conn
			running.Go(func() { b.serve(conn) })
		}
	})
	t.Cleanup(func() {
		listener.Close()
		mu.Lock()
		for _, conn := range open {
			conn.Close()
		}
		mu.Unlock()
		running.Wait()
	})
	return b
}

func (b *fakeBroker) serve(conn net.Conn) {
	defer conn.Close()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		b.got <- p
		if a := b.answer(p); a != nil && a.Write(conn) != nil {
			return
		}
	}
}

// next waits for the next packet of a type and skips others.
func next[P packets.ControlPacket](b *fakeBroker) P {
	b.t.Helper()
	limit := time.After(10 * time.Second)
	for {
		select {
		case p := <-b.got:
			if wanted, ok := p.(P); ok {
				return wanted
			}
		case <-limit:
			b.t.Fatalf("no %T", *new(P))
		}
	}
}

// healthy answers as a broker does that grants everything.
func healthy(p packets.ControlPacket) packets.ControlPacket {
	switch p := p.(type) {
	case *packets.ConnectPacket:
		return packets.NewControlPacket(packets.Connack)
	case *packets.SubscribePacket:
		a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		a.MessageID, a.ReturnCodes = p.MessageID, p.Qoss
		return a
	case *packets.UnsubscribePacket:
		a := packets.NewControlPacket(packets.Unsuback).(*packets.UnsubackPacket)
		a.MessageID = p.MessageID
		return a
	case *packets.PublishPacket:
		if p.Qos == 0 {
			return nil
		}
		a := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		a.MessageID = p.MessageID
		return a
	}
	return nil
}

// silent answers nothing but CONNECT.
func silent(p packets.ControlPacket) packets.ControlPacket {
	if _, ok := p.(*packets.ConnectPacket); ok {
		return healthy(p)
	}
	return nil
}

func dial(t *testing.T, e mqtt.Endpoint) *mqtt.Conn {
	t.Helper()
	c, err := mqtt.Dial(t.Context(), e)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// waits are all that a connection can wait for.
var waits = map[string]func(context.Context, *mqtt.Conn) error{
	"publish": func(ctx context.Context, c *mqtt.Conn) error {
		return c.Publish(ctx, mqtt.Message{Topic: "a", Payload: []byte("x"), QoS: 1})
	},
	"subscribe": func(ctx context.Context, c *mqtt.Conn) error {
		return c.Subscribe(ctx, func(mqtt.Message) {}, mqtt.Filter{Topic: "a", QoS: 1})
	},
	"ping": func(ctx context.Context, c *mqtt.Conn) error { return c.Ping(ctx, 400*time.Millisecond) },
}
