package mqtt

import (
	"bytes"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"bayfill/sensors/direct"
)

// A message that is written past the library is the same packet, at each length of the
// length (MQTT 3.1.1, table 2.4).
func TestAppendPublish(t *testing.T) {
	for _, payload := range []int{0, 1, 121, 122, 16_377, 16_378, 2_097_145, 2_097_146} {
		for _, retained := range []bool{false, true} {
			m := Message{Topic: "a/b", Payload: []byte(strings.Repeat("x", payload)), Retained: retained}
			p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
			p.TopicName, p.Payload, p.Retain = m.Topic, m.Payload, m.Retained
			var want bytes.Buffer
			if err := p.Write(&want); err != nil {
				t.Fatal(err)
			}
			if got := appendPublish(nil, &m); !bytes.Equal(got, want.Bytes()) {
				t.Errorf("%d bytes, retained %v: % X…, want % X…", payload, retained, got[:8], want.Bytes()[:8])
			}
		}
	}
}

// Messages that are tried on a connection whose other end does not read fit until there is no
// room; what is published then comes after them, and every packet arrives whole and in order.
func TestTryUntilThereIsNoRoom(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	client, err := net.Dial("tcp", listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	server, err := listener.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	way, err := direct.New(client.(*net.TCPConn))
	if err != nil {
		t.Fatal(err)
	}
	s := &stream{Conn: directConn{client, way}, timeout: 10 * time.Second}
	message := func(n int) *Message {
		return &Message{Topic: "t", Payload: fmt.Appendf(make([]byte, 60_000), "%08d", n)}
	}
	sent := 0
	for s.try(message(sent)) {
		sent++
	}
	if sent == 0 {
		t.Fatal("the first message did not fit")
	}
	published := make(chan error, 1)
	go func() { published <- s.publish(*message(sent)) }()
	for n := range sent + 1 {
		packet, err := packets.ReadPacket(server)
		if err != nil {
			t.Fatal(err)
		}
		if p := packet.(*packets.PublishPacket); !strings.HasSuffix(string(p.Payload), fmt.Sprintf("%08d", n)) {
			t.Fatalf("packet %d ends in %q", n, p.Payload[len(p.Payload)-8:])
		}
	}
	if err := <-published; err != nil {
		t.Error(err)
	}
}
