package mqtt

import (
	"bytes"
	"strings"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
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
