package access

import (
	"fmt"
	"net"
	"strings"
)

// CheckListener refuses an address at which tokens of the built-in issuer
// would cross a network in the clear.
func CheckListener(address string, tls bool) error {
	if tls || strings.HasPrefix(address, "unix:") {
		return nil
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("address %q is not of the form host:port: %w", address, err)
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("address %q can be reached from other machines, and tokens of the built-in issuer would cross the network in the clear; "+
		"listen on a loopback address such as 127.0.0.1:7420, or set up TLS", address)
}
