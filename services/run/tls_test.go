package run

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
)

// authority is a certificate authority of one test.
type authority struct {
	folder string
	cert   *x509.Certificate
	key    *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{folder: t.TempDir(), key: newKey(t)}
	a.cert = a.sign(t, "ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}, a.key)
	return a
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// sign writes <name>.crt and <name>.key.
func (a *authority) sign(t *testing.T, name string, c *x509.Certificate, key *ecdsa.PrivateKey) *x509.Certificate {
	t.Helper()
	c.SerialNumber, c.Subject = big.NewInt(time.Now().UnixNano()), pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent := a.cert
	if parent == nil {
		parent = c
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{a.file(name + ".crt"): {Type: "CERTIFICATE", Bytes: der}, a.file(name + ".key"): {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	signed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

func (a *authority) file(name string) string { return filepath.Join(a.folder, name) }

func (a *authority) leaf(t *testing.T, name string) {
	t.Helper()
	a.sign(t, name, &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}, newKey(t))
}

func healthOver(t *testing.T, addr string, transport credentials.TransportCredentials) error {
	t.Helper()
	cc, err := grpc.NewClient("passthrough:///"+addr, grpc.WithTransportCredentials(transport))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cc.Close() }()
	_, err = healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{})
	return err
}

func TestTLSListener(t *testing.T) {
	ca, stranger := newAuthority(t), newAuthority(t)
	ca.leaf(t, "server")
	ca.leaf(t, "client")
	stranger.leaf(t, "client")
	pool := x509.NewCertPool()
	pool.AddCert(ca.cert)
	pair := func(a *authority) []tls.Certificate {
		p, err := tls.LoadX509KeyPair(a.file("client.crt"), a.file("client.key"))
		if err != nil {
			t.Fatal(err)
		}
		return []tls.Certificate{p}
	}
	for _, mutual := range []bool{false, true} {
		c := ForTest(t.TempDir())
		// All addresses: allowed with TLS, and 127.0.0.1 is among them.
		c.Settings.Listen = "0.0.0.0:0"
		c.Settings.TLSCert, c.Settings.TLSKey = ca.file("server.crt"), ca.file("server.key")
		if mutual {
			c.Settings.TLSClientCA = ca.file("ca.crt")
		}
		s := begin(t, c)
		_, port, err := net.SplitHostPort(s.GRPCAddr())
		if err != nil {
			t.Fatal(err)
		}
		addr := "127.0.0.1:" + port
		for name, try := range map[string]struct {
			transport credentials.TransportCredentials
			ok        bool
		}{
			"plain":                 {insecure.NewCredentials(), false},
			"unknown authority":     {credentials.NewTLS(&tls.Config{}), false},
			"the authority":         {credentials.NewTLS(&tls.Config{RootCAs: pool}), !mutual},
			"with a certificate":    {credentials.NewTLS(&tls.Config{RootCAs: pool, Certificates: pair(ca)}), true},
			"with a stranger's":     {credentials.NewTLS(&tls.Config{RootCAs: pool, Certificates: pair(stranger)}), !mutual},
			"an old version of TLS": {credentials.NewTLS(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}), false},
		} {
			if err := healthOver(t, addr, try.transport); (err == nil) != try.ok {
				t.Errorf("mutual %v, %s: %v", mutual, name, err)
			}
		}
		cc := dialled(t, s, "intake")
		if _, err := healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{}); err != nil {
			t.Errorf("mutual %v, Dial: %v", mutual, err)
		}
		// Services meet in memory all the same.
		if _, err := s.jwks(t.Context()); err != nil {
			t.Errorf("mutual %v, in memory: %v", mutual, err)
		}
	}
}

func TestRenewedCertificateNeedsNoRestart(t *testing.T) {
	ca := newAuthority(t)
	ca.leaf(t, "server")
	c, err := openCertificate(ca.file("server.crt"), ca.file("server.key"), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	first := c.current(now).Certificate[0]
	ca.leaf(t, "server")
	// Two writes may fall into one tick of the file system's clock.
	if err := os.Chtimes(ca.file("server.crt"), now, now.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(c.current(now.Add(time.Second)).Certificate[0], first) {
		t.Error("looked at the file again too soon")
	}
	second := c.current(now.Add(lookEvery)).Certificate[0]
	if bytes.Equal(second, first) {
		t.Error("the renewed certificate is not used")
	}
	if err := os.WriteFile(ca.file("server.crt"), []byte("half writ"), 0o600); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(c.current(now.Add(3 * lookEvery)).Certificate[0], second) {
		t.Error("a broken renewal replaced the certificate")
	}
}

func TestPeerOverTLS(t *testing.T) {
	ca := newAuthority(t)
	ca.leaf(t, "server")
	home := ForTest(t.TempDir())
	home.Settings.Modules = []string{"bus", "access"}
	home.Settings.TLSCert, home.Settings.TLSKey, home.Settings.TLSClientCA = ca.file("server.crt"), ca.file("server.key"), ca.file("ca.crt")
	a := begin(t, home)
	away := ForTest(t.TempDir())
	away.Settings.Modules = []string{"intake"}
	away.Settings.NATSURL = "nats://" + a.BusAddr()
	away.Settings.Peers = map[string]string{"access": a.GRPCAddr()}
	away.Settings.InternalKey = a.plan.Keys.Internal
	away.Settings.TLSCert, away.Settings.TLSKey, away.Settings.PeerCA = ca.file("server.crt"), ca.file("server.key"), ca.file("ca.crt")
	b := begin(t, away)
	if _, err := b.jwks(t.Context()); err != nil {
		t.Errorf("keys of the peer: %v", err)
	}
	away.Settings.Data, away.Settings.PeerCA = t.TempDir(), ""
	c := begin(t, away)
	if _, err := c.jwks(t.Context()); status.Code(err) != codes.Unavailable {
		t.Errorf("plain to a TLS peer: %v", err)
	}
}

func TestBrokenCertificatesAreRefusedByName(t *testing.T) {
	ca := newAuthority(t)
	ca.leaf(t, "server")
	for setting, change := range map[string]func(*Settings){
		"tls_cert":      func(s *Settings) { s.TLSCert = ca.file("none.crt") },
		"tls_client_ca": func(s *Settings) { s.TLSClientCA = ca.file("server.key") },
		"peer_ca":       func(s *Settings) { s.PeerCA = ca.file("none.crt") },
	} {
		c := ForTest(t.TempDir())
		c.Settings.TLSCert, c.Settings.TLSKey = ca.file("server.crt"), ca.file("server.key")
		change(&c.Settings)
		_, err := start(t.Context(), c, hollowTable())
		if err == nil || !containsAll(err.Error(), setting) {
			t.Errorf("%s: %v", setting, err)
		}
	}
}
