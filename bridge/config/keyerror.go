package config

import (
	"errors"
	"fmt"

	"bayfill/bridge/words"
)

// keyError is what is wrong with the value of one key. Its text begins with the key's
// path, and the path leads to the line of the file.
type keyError struct {
	key  string // within the group of keys that the error is wrapped by
	name string // of the list's entry, for people; empty: none
	err  error
}

func (e *keyError) Error() string {
	text := e.key
	if e.name != "" {
		text += " (" + e.name + ")"
	}
	if _, inner := e.err.(*keyError); inner {
		return text + "." + e.err.Error()
	}
	return text + ": " + e.err.Error()
}

func (e *keyError) Unwrap() error { return e.err }

// path is the place in the file, as in carts[0].sensors[1].port.
func (e *keyError) path() string {
	if inner, ok := e.err.(*keyError); ok {
		return e.key + "." + inner.path()
	}
	return e.key
}

// wrong says what is wrong with the value of a key, and what would be right: the key of a
// sentence and its pairs, see [words.NewError]. Numbers are said as they are written.
func wrong(key, sentence string, pairs ...any) error {
	for i, p := range pairs {
		switch p.(type) {
		case int, float64:
			pairs[i] = fmt.Sprint(p)
		}
	}
	return &keyError{key: key, err: words.NewError(sentence, pairs...)}
}

// within puts an error in the group, or the named entry of a list, that its key
// belongs to.
func within(key, name string, err error) error {
	return &keyError{key: key, name: name, err: err}
}

// keyPath returns the path of the key that an error is about; empty if it is about
// none.
func keyPath(err error) string {
	var e *keyError
	if errors.As(err, &e) {
		return e.path()
	}
	return ""
}
