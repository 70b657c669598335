package door

import (
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
)

// A port in use is told with the process that holds it, in plain words.
func TestPortInUse(t *testing.T) {
	first, err := TCP("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	for address, want := range map[string]string{
		first.Addr().String():                                fmt.Sprintf("%s is in use by process %d (", first.Addr(), os.Getpid()),
		fmt.Sprintf(":%d", first.Addr().(*net.TCPAddr).Port): " is in use by process ",
		"203.0.113.9:0":                                      "203.0.113.9:0 is not an address of this computer: ", // RFC 5737, for documentation
	} {
		_, err := TCP(address)
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "bind") {
			t.Errorf("%s: %v, want %q", address, err, want)
		}
	}
}
