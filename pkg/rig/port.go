package rig

import (
	"errors"
	"math/rand/v2"
	"net"
	"strconv"
	"testing"
)

// Ports are taken below 32768: above it the kernel picks source ports of
// outgoing connections (ip_local_port_range), and a client that keeps trying to
// reach a killed server could take its port, even by connecting to itself.
const (
	lowestPort  = 15000
	highestPort = 32767
)

// Address gives a loopback address whose port was free a moment ago.
func Address(t testing.TB) string {
	t.Helper()
	address, err := freeAddress()
	if err != nil {
		t.Fatal(err)
	}
	return address
}

func freeAddress() (string, error) {
	const tries = 100
	for range tries {
		port := lowestPort + rand.IntN(highestPort-lowestPort+1)
		address := net.JoinHostPort("127.0.0.1", strconv.Itoa(port))
		l, err := net.Listen("tcp", address)
		if err != nil {
			continue
		}
		return address, l.Close()
	}
	return "", errors.New("no free loopback port found in 100 tries")
}
