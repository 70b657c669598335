package main

import (
	"cmp"
	"crypto/tls"
	"fmt"
	"os"
	"regexp"
	"strings"

	"github.com/spf13/pflag"

	"bayfill/bridge/config"
	"bayfill/bridge/mqtt"
	"bayfill/bridge/wire"
	"bayfill/bridge/words"
)

// contactFlags name the broker and the cart. The environment gives the defaults.
type contactFlags struct {
	brokers                            []string
	username, passwordFile, shop, cart string
	tls                                tlsFlags
}

// tlsFlags are the files for a TLS broker.
type tlsFlags struct{ caFile, certFile, keyFile string }

func (t *tlsFlags) add(f *pflag.FlagSet) {
	f.StringVar(&t.caFile, "ca-file", os.Getenv("BAYFILL_CA_FILE"), "flag.ca-file")
	f.StringVar(&t.certFile, "cert-file", os.Getenv("BAYFILL_CERT_FILE"), "flag.cert-file")
	f.StringVar(&t.keyFile, "key-file", os.Getenv("BAYFILL_KEY_FILE"), "flag.key-file")
}

func (t *tlsFlags) config() (*tls.Config, error) {
	c, err := config.BrokerTLS(t.caFile)
	if err != nil {
		return nil, configError{fmt.Errorf("--ca-file: %w", err)}
	}
	if (t.certFile == "") != (t.keyFile == "") {
		return nil, configError{words.NewError("usage.certificate_pair")}
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

// signingFlag names the file with the key that signs commands.
type signingFlag struct{ keyFile string }

func (s *signingFlag) add(f *pflag.FlagSet) {
	f.StringVar(&s.keyFile, "command-key-file", os.Getenv("BAYFILL_COMMAND_KEY_FILE"), "flag.command-key-file")
}

func (s *signingFlag) signer() (*wire.Signer, error) {
	commandKey, err := config.Secret{File: s.keyFile}.CommandKey()
	if err != nil {
		return nil, configError{fmt.Errorf("--command-key-file: %w", err)}
	}
	return wire.NewSigner(commandKey), nil
}

const (
	brokerHelp       = "flag.broker"
	usernameHelp     = "flag.username"
	passwordFileHelp = "flag.password-file"
)

func brokerDefault() []string {
	return strings.Split(cmp.Or(os.Getenv("BAYFILL_BROKER"), "tcp://127.0.0.1:1883"), ",")
}

func (c *contactFlags) add(f *pflag.FlagSet) {
	f.StringSliceVar(&c.brokers, "broker", brokerDefault(), brokerHelp)
	c.tls.add(f)
	f.StringVar(&c.username, "username", os.Getenv("BAYFILL_USERNAME"), usernameHelp)
	f.StringVar(&c.passwordFile, "password-file", os.Getenv("BAYFILL_PASSWORD_FILE"), passwordFileHelp)
	f.StringVar(&c.shop, "shop", os.Getenv("BAYFILL_SHOP"), "flag.shop_job_b")
	f.StringVar(&c.cart, "cart", os.Getenv("BAYFILL_CART"), "flag.cart_job_b")
}

// topicPart is what one level of a topic may hold.
var topicPart = regexp.MustCompile(`^[^/+#\x00]+$`)

// contact checks the flags and reads the files that they name. An error names its flag.
func (c *contactFlags) contact() (contact, error) {
	for _, f := range []struct{ flag, variable, value string }{{"shop", "BAYFILL_SHOP", c.shop}, {"cart", "BAYFILL_CART", c.cart}} {
		if !topicPart.MatchString(f.value) {
			return contact{}, configError{words.NewError("usage.no_name", "flag", f.flag, "typed", f.value, "variable", f.variable)}
		}
	}
	for _, address := range c.brokers {
		if err := mqtt.CheckAddress(address); err != nil {
			return contact{}, configError{words.NewError("usage.broker_secret", "why", err)}
		}
	}
	password, err := config.Secret{File: c.passwordFile}.Read()
	if err != nil {
		return contact{}, configError{fmt.Errorf("--password-file: %w", err)}
	}
	trust, err := c.tls.config()
	if err != nil {
		return contact{}, err
	}
	broker := mqtt.Endpoint{URLs: c.brokers, Username: c.username, Password: password, TLS: trust}
	return contact{broker: broker, prefix: "bayfill/" + c.shop + "/" + c.cart + "/"}, nil
}
