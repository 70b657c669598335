// Package schematest validates messages against the published schemas. It is for tests
// only: the program checks commands itself, with errors that people understand.
package schematest

import (
	"bytes"
	"fmt"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"bayfill/bridge/wire/schema"
)

// compiled returns the schemas by leaf.
var compiled = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	for _, leaf := range schema.Names() {
		text, err := schema.File(leaf + ".json")
		if err != nil {
			return nil, err
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			return nil, fmt.Errorf("%s.json: %w", leaf, err)
		}
		if err := c.AddResource(schema.Base+leaf+".json", doc); err != nil {
			return nil, err
		}
	}
	schemas := map[string]*jsonschema.Schema{}
	for _, leaf := range schema.Names() {
		s, err := c.Compile(schema.Base + leaf + ".json")
		if err != nil {
			return nil, err
		}
		schemas[leaf] = s
	}
	return schemas, nil
})

// Validate checks a message against the schema of its leaf; replies/ID belongs to the
// leaf replies. The error names the place in the message.
func Validate(leaf string, payload []byte) error {
	schemas, err := compiled()
	if err != nil {
		return err
	}
	leaf, _, _ = strings.Cut(leaf, "/")
	s := schemas[leaf]
	if s == nil {
		return fmt.Errorf("leaf %q has no schema, there are those of %s", leaf, strings.Join(schema.Names(), ", "))
	}
	message, err := jsonschema.UnmarshalJSON(bytes.NewReader(payload))
	if err != nil {
		return fmt.Errorf("%s: %w", leaf, err)
	}
	if err := s.Validate(message); err != nil {
		return fmt.Errorf("%s: %w in %s", leaf, err, payload)
	}
	return nil
}

// Published checks a message against the contract by its topic. It ignores commands,
// since tests send wrong ones on purpose.
func Published(topic string, payload []byte) error {
	parts := strings.SplitN(topic, "/", 4)
	if len(parts) < 4 || parts[0] != "bayfill" || parts[3] == "commands" {
		return nil
	}
	return Validate(parts[3], payload)
}
