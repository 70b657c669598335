package wire

import (
	"encoding/json"
	"time"
)

// Leaf is the last part of a topic: bayfill/{shop}/{cart}/{leaf}.
type Leaf string

const (
	PresenceLeaf Leaf = "presence"
	AboutLeaf    Leaf = "about"
	ChoicesLeaf  Leaf = "choices"
	RecordLeaf   Leaf = "record"
	VolumesLeaf  Leaf = "volumes"
	WindowLeaf   Leaf = "window"
	JobLeaf      Leaf = "job"
	AlertsLeaf   Leaf = "alerts"
	ReadingsLeaf Leaf = "readings"
	CommandsLeaf Leaf = "commands"
	RepliesLeaf  Leaf = "replies" // a command's reply is on replies/{id}
)

// StateLeaves are the retained leaves, in the order in which they are sent after a
// connect.
var StateLeaves = []Leaf{PresenceLeaf, AboutLeaf, ChoicesLeaf, JobLeaf, VolumesLeaf, WindowLeaf, AlertsLeaf, RecordLeaf}

// ContractVersion is the version of the topics and messages.
const ContractVersion = 1

// TimeLayout is RFC 3339 in UTC. Its fraction has a fixed width, so that times sort
// as text.
const TimeLayout = "2006-01-02T15:04:05.000Z"

// Timestamp formats a time in nanoseconds since 1970.
func Timestamp(ns int64) string { return time.Unix(0, ns).UTC().Format(TimeLayout) }

// Encode returns a message as JSON. It panics for a type that JSON cannot express,
// and no message of this package has one.
func Encode(message any) []byte {
	text, err := json.Marshal(message)
	if err != nil {
		panic("wire: message cannot be encoded: " + err.Error())
	}
	return text
}
