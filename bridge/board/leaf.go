package board

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"time"
)

// leaf is the newest message of one kind, and how far it can be trusted.
type leaf[M any] struct {
	message M
	payload []byte
	at      time.Time // of receipt, by this computer's clock; zero: none came yet
	live    bool      // sent while this board was listening
	kept    bool      // it came out of the broker's memory: at tells nothing of its age
}

// take puts a message in place of the last one. One that cannot be read leaves
// it standing.
func (l *leaf[M]) take(payload []byte, retained bool, now time.Time) error {
	if retained && bytes.Equal(payload, l.payload) {
		return nil // after a reconnect: known already, and no younger for it
	}
	var m M
	forget(reflect.ValueOf(&m).Elem())
	if err := json.Unmarshal(payload, &m); err != nil {
		return err
	}
	*l = leaf[M]{m, payload, now, !retained, retained}
	return nil
}

// forget makes every figure unknown: what a message leaves out must not be shown
// as zero.
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
