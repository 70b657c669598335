package main

import (
	"fmt"
	"os"
	"regexp"

	"github.com/spf13/pflag"

	"bayfill/bridge"
)

// contactFlags say which broker and which cart; each may come from the
// environment instead.
type contactFlags struct {
	broker, caFile, username, passwordFile, shop, cart string
}

func (c *contactFlags) add(f *pflag.FlagSet) {
	broker := "tcp://127.0.0.1:1883"
	if set := os.Getenv("BAYFILL_BROKER"); set != "" {
		broker = set
	}
	f.StringVar(&c.broker, "broker", broker, "MQTT broker, as tcp://HOST:PORT or ssl://HOST:PORT (BAYFILL_BROKER)")
	f.StringVar(&c.caFile, "ca-file", os.Getenv("BAYFILL_CA_FILE"), "certificate of the authority that a TLS broker's is from; empty: those of this computer (BAYFILL_CA_FILE)")
	f.StringVar(&c.username, "username", os.Getenv("BAYFILL_USERNAME"), "user on the broker (BAYFILL_USERNAME)")
	f.StringVar(&c.passwordFile, "password-file", os.Getenv("BAYFILL_PASSWORD_FILE"), "file that holds the password (BAYFILL_PASSWORD_FILE)")
	f.StringVar(&c.shop, "shop", os.Getenv("BAYFILL_SHOP"), "shop of the cart (BAYFILL_SHOP)")
	f.StringVar(&c.cart, "cart", os.Getenv("BAYFILL_CART"), "the cart (BAYFILL_CART)")
}

// topicPart is what a level of a topic may hold.
var topicPart = regexp.MustCompile(`^[^/+#\x00]+$`)

func (c *contactFlags) contact() (contact, error) {
	for _, f := range []struct{ flag, variable, value string }{{"shop", "BAYFILL_SHOP", c.shop}, {"cart", "BAYFILL_CART", c.cart}} {
		if !topicPart.MatchString(f.value) {
			return contact{}, configError{fmt.Errorf("--%s: %q names no %s: give it here or in %s", f.flag, f.value, f.flag, f.variable)}
		}
	}
	password, err := bridge.Secret{File: c.passwordFile}.Read()
	if err != nil {
		return contact{}, configError{fmt.Errorf("--password-file: %w", err)}
	}
	trust, err := bridge.BrokerTLS(c.caFile)
	if err != nil {
		return contact{}, configError{fmt.Errorf("--ca-file: %w", err)}
	}
	return contact{c.broker, trust, "bayfill/" + c.shop + "/" + c.cart + "/", c.username, password}, nil
}
