package bridge

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/history"
)

// Secrets come from files or the environment, and no error shows them.
func TestSecrets(t *testing.T) {
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte("open sesame\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("BAYFILL_TEST_SECRET", "open barley")
	for _, c := range []struct {
		secret     config.Secret
		want, fail string
	}{
		{config.Secret{File: file}, "open sesame", ""},
		{config.Secret{Env: "BAYFILL_TEST_SECRET"}, "open barley", ""},
		{config.Secret{}, "", ""},
		{config.Secret{Env: "BAYFILL_TEST_NO_SUCH"}, "", "BAYFILL_TEST_NO_SUCH is not set"},
		{config.Secret{File: file + "x"}, "", "no such file"},
		{config.Secret{File: file, Env: "X"}, "", "set one of them"},
	} {
		got, err := c.secret.Read()
		if got != c.want || (err == nil) != (c.fail == "") || err != nil && !strings.Contains(err.Error(), c.fail) {
			t.Errorf("%+v: %q, %v", c.secret, got, err)
		}
	}
	// The log of a whole start and stop with every secret set contains none of them.
	config, err := config.Parse(fmt.Appendf(nil, "%sbroker: {listen: '127.0.0.1:0', users: [{name: a, may: [read], password: {file: %q}}]}\n"+
		"history: {url: 'http://127.0.0.1:1', bucket: b, token: {env: BAYFILL_TEST_SECRET}}\n",
		strings.Replace(bridgetest.SmallConfig, "/tmp/x", t.TempDir(), 1), file))
	if err != nil {
		t.Fatal(err)
	}
	var log bridgetest.Output
	b, err := New(t.Context(), config, Options{Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = (&history.Forwarder{Shop: "a", Cart: "b", Journal: b.carts[0].Journal(), Client: b.history, Log: slog.Default()}).Once(t.Context())
	said := fmt.Sprintf("%+v %v %s", config, err, log.String())
	b.close()
	for _, secret := range []string{"open sesame", "open barley"} {
		if strings.Contains(said, secret) {
			t.Errorf("a secret was shown: %s", said)
		}
	}
}
