package run

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificate is the listener's certificate, read again when its file has
// changed, so that a renewal needs no restart.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	change time.Time
	looked time.Time
}

// lookEvery bounds how often the file is looked at.
const lookEvery = 5 * time.Second

func openCertificate(certFile, keyFile string, log *slog.Logger) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, log: log}
	if err := c.read(); err != nil {
		return nil, fmt.Errorf("tls_cert, tls_key: %w", err)
	}
	return c, nil
}

func (c *certificate) read() error {
	info, err := os.Stat(c.certFile)
	if err != nil {
		return err
	}
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return err
	}
	c.pair, c.change = &pair, info.ModTime()
	return nil
}

// current gives the certificate. A renewal that cannot be read leaves the old
// one in place.
func (c *certificate) current(now time.Time) *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now.Sub(c.looked) < lookEvery {
		return c.pair
	}
	c.looked = now
	info, err := os.Stat(c.certFile)
	if err == nil && info.ModTime().Equal(c.change) {
		return c.pair
	}
	if err == nil {
		err = c.read()
	}
	if err != nil {
		c.log.Warn("the renewed certificate cannot be read; the old one stays", "error", err)
	} else {
		c.log.Info("the renewed certificate is used from now on")
	}
	return c.pair
}

// forServer is what tls.Config asks at each handshake.
func (c *certificate) forServer(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	return c.current(time.Now()), nil
}
