package config

import (
	"errors"
	"fmt"

	"bayfill/bridge/words"
)

// keyError is what is wrong with the value of one key. Its text begins with the key's
// path, and the path leads to the line of the file.
type keyError struct {
	key   string   // within the group of keys that the error is wrapped by
	name  string   // of the list's entry, for people; empty: none
	given []string // keys of the same group that the error takes to be right
	err   error
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

// paths returns the place in the file, as in carts[0].sensors[1].port, and those of the keys
// that the error takes to be right.
func (e *keyError) paths() (place string, given []string) {
	inner, ok := e.err.(*keyError)
	if !ok {
		return e.key, e.given
	}
	place, given = inner.paths()
	under := make([]string, len(given))
	for i, key := range given {
		under[i] = e.key + "." + key
	}
	return e.key + "." + place, under
}

// wrong says what is wrong with the value of a key, and what would be right: the key of a
// sentence and its pairs, see [words.NewError]. Numbers are said as they are written.
func wrong(key, sentence string, pairs ...any) *keyError {
	for i, p := range pairs {
		switch p.(type) {
		case int, float64:
			pairs[i] = fmt.Sprint(p)
		}
	}
	return &keyError{key: key, err: words.NewError(sentence, pairs...)}
}

// unless returns the error when something does not hold. It is not told when one of the given
// keys of its group is wrong itself, which it would only follow from.
func unless(holds bool, err *keyError, given ...string) error {
	if holds {
		return nil
	}
	err.given = given
	return err
}

// within puts each of the joined errors in the group, or the named entry of a list, that its
// key belongs to.
func within(key, name string, err error) error {
	var list []error
	for _, one := range Faults(err) {
		list = append(list, &keyError{key: key, name: name, err: one})
	}
	return errors.Join(list...)
}

// Faults lists the errors that an error joins, in any depth; none for nil.
func Faults(err error) (list []error) {
	joined, ok := err.(interface{ Unwrap() []error })
	switch {
	case err == nil:
		return nil
	case !ok:
		return []error{err}
	}
	for _, one := range joined.Unwrap() {
		list = append(list, Faults(one)...)
	}
	return list
}
