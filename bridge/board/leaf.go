package board

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"time"
)

// leaf is the newest message on one leaf, and how far it can be trusted.
type leaf[M any] struct {
	message M
	payload []byte
	at      time.Time // of receipt, by this computer's clock; zero: none was received
	live    bool      // sent while this board was subscribed
	kept    bool      // it arrived as a retained message, so at says nothing about its age
}

// take replaces the message. After an error the old one stays.
func (l *leaf[M]) take(payload []byte, retained bool, now time.Time) error {
	if retained && bytes.Equal(payload, l.payload) {
		return nil // the same message again after a reconnect: its age has not changed
	}
	var m M
	forget(reflect.ValueOf(&m).Elem())
	if err := json.Unmarshal(payload, &m); err != nil {
		return err
	}
	*l = leaf[M]{m, payload, now, !retained, retained}
	return nil
}

// forget makes every figure unknown, so that a missing field is not shown as zero.
func forget(v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(math.NaN())
	case reflect.Struct:
		for i := range v.NumField() {
			forget(v.Field(i))
		}
	}
}
