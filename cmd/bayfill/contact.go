package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"regexp"

	"github.com/spf13/pflag"

	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
)

// contactFlags say which broker and which cart; each may come from the
// environment instead.
type contactFlags struct {
	broker, username, passwordFile, shop, cart string
	tls                                        tlsFlags
}

// tlsFlags say how to talk to a TLS broker.
type tlsFlags struct{ caFile, certFile, keyFile string }

func (t *tlsFlags) add(f *pflag.FlagSet) {
	f.StringVar(&t.caFile, "ca-file", os.Getenv("BAYFILL_CA_FILE"), "certificate of the authority that a TLS broker's is from; empty: those of this computer (BAYFILL_CA_FILE)")
	f.StringVar(&t.certFile, "cert-file", os.Getenv("BAYFILL_CERT_FILE"), "certificate to show to a TLS broker that asks who comes (BAYFILL_CERT_FILE)")
	f.StringVar(&t.keyFile, "key-file", os.Getenv("BAYFILL_KEY_FILE"), "key to that certificate (BAYFILL_KEY_FILE)")
}

func (t *tlsFlags) config() (*tls.Config, error) {
	c, err := config.BrokerTLS(t.caFile)
	if err != nil {
		return nil, configError{fmt.Errorf("--ca-file: %w", err)}
	}
	if (t.certFile == "") != (t.keyFile == "") {
		return nil, configError{errors.New("--cert-file: belongs together with --key-file, give both or none")}
	}
	if t.certFile != "" {
		certificate, err := config.Certificate(t.certFile, t.keyFile)
		if err != nil {
			return nil, configError{fmt.Errorf("--cert-file: %w", err)}
		}
		c.Certificates = []tls.Certificate{certificate}
	}
	return c, nil
}

// signingFlag names the key that commands are signed with.
type signingFlag struct{ keyFile string }

func (s *signingFlag) add(f *pflag.FlagSet) {
	f.StringVar(&s.keyFile, "command-key-file", os.Getenv("BAYFILL_COMMAND_KEY_FILE"), "file with the key that this shop's commands are signed with (BAYFILL_COMMAND_KEY_FILE)")
}

func (s *signingFlag) signer() (*wire.Signer, error) {
	commandKey, err := config.Secret{File: s.keyFile}.CommandKey()
	if err != nil {
		return nil, configError{fmt.Errorf("--command-key-file: %w", err)}
	}
	return wire.NewSigner(commandKey), nil
}

func (c *contactFlags) add(f *pflag.FlagSet) {
	broker := "tcp://127.0.0.1:1883"
	if set := os.Getenv("BAYFILL_BROKER"); set != "" {
		broker = set
	}
	f.StringVar(&c.broker, "broker", broker, "MQTT broker, as tcp://HOST:PORT or ssl://HOST:PORT (BAYFILL_BROKER)")
	c.tls.add(f)
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
	if err := mqtt.CheckAddress(c.broker); err != nil {
		return contact{}, configError{fmt.Errorf("--broker: %w: use --username and --password-file", err)}
	}
	password, err := config.Secret{File: c.passwordFile}.Read()
	if err != nil {
		return contact{}, configError{fmt.Errorf("--password-file: %w", err)}
	}
	trust, err := c.tls.config()
	if err != nil {
		return contact{}, err
	}
	broker := mqtt.Endpoint{URL: c.broker, Username: c.username, Password: password, TLS: trust}
	return contact{broker: broker, prefix: "bayfill/" + c.shop + "/" + c.cart + "/"}, nil
}
