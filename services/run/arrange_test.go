package run

import (
	"slices"
	"strings"
	"testing"
	"time"
)

func mustDefaults(t *testing.T) Settings {
	t.Helper()
	s, err := Defaults()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestArrange(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Settings)
		check  func(t *testing.T, a Arrangement)
	}{
		{"nothing said: everything here, embedded", func(*Settings) {}, func(t *testing.T, a Arrangement) {
			want(t, "modules", strings.Join(a.Modules, " "), "bus access intake reliability")
			want(t, "bus hosted", a.Bus, BusPlan{Host: true, Listen: "127.0.0.1:7422"})
			want(t, "intake in memory", a.Peers["intake"], Peer{InMemory: true})
			want(t, "folder", a.Folders["intake"], "data/intake")
			want(t, "keys", a.Keys, KeyPlan{Internal: "data/internal.key", MakeInternal: true, Signing: "data/access/keys"})
			want(t, "exposed", len(a.Exposed), 0)
			want(t, "SQLite note", len(a.Notes), 1)
		}},
		{"NATS elsewhere: all services, no bus", func(s *Settings) { s.NATSURL = "nats://hub:4222" }, func(t *testing.T, a Arrangement) {
			want(t, "modules", strings.Join(a.Modules, " "), "access intake reliability")
			want(t, "bus", a.Bus, BusPlan{URL: "nats://hub:4222"})
			want(t, "SQLite, and plain NATS", len(a.Notes), 2)
		}},
		{"one service among peers", func(s *Settings) {
			s.Modules = []string{"reliability"}
			s.NATSURL, s.SQLURL, s.PeerCA = "tls://hub:4222", "postgres://u@db/sw", "ca.pem"
			s.Peers = map[string]string{"access": "a:7420", "intake": "dns:///i:7420"}
		}, func(t *testing.T, a Arrangement) {
			want(t, "services", strings.Join(a.Services(), " "), "reliability")
			want(t, "access", a.Peers["access"], Peer{Address: "a:7420"})
			want(t, "intake", a.Peers["intake"], Peer{Address: "dns:///i:7420"})
			want(t, "may make the internal key", a.Keys.MakeInternal, false)
			want(t, "notes", len(a.Notes), 0)
		}},
		{"what runs here is met in memory even when peers name it", func(s *Settings) {
			s.Peers, s.PeerCA = map[string]string{"intake": "i:7420"}, "ca.pem"
		}, func(t *testing.T, a Arrangement) {
			want(t, "intake", a.Peers["intake"], Peer{InMemory: true})
		}},
		{"intake without reliability: it is not installed", func(s *Settings) { s.Modules = []string{"intake", "access", "bus"} },
			func(t *testing.T, a Arrangement) {
				want(t, "reliability installed", a.Installed("reliability"), false)
				want(t, "order", strings.Join(a.Modules, " "), "bus access intake")
			}},
		{"bus alone", func(s *Settings) { s.Modules = []string{"bus"} }, func(t *testing.T, a Arrangement) {
			want(t, "services", len(a.Services()), 0)
			want(t, "notes", len(a.Notes), 0)
		}},
		{"PostgreSQL with files in a folder: one replica of intake", func(s *Settings) { s.SQLURL = "postgresql://u@db/sw" },
			func(t *testing.T, a Arrangement) { want(t, "notes", len(a.Notes), 1) }},
		{"reachable from outside with TLS", func(s *Settings) { s.Listen, s.TLSCert, s.TLSKey = "0.0.0.0:7420", "c.pem", "k.pem" },
			func(t *testing.T, a Arrangement) {
				want(t, "tls", a.TLS, true)
				want(t, "exposed", slices.Contains(a.Exposed, "listen"), true)
			}},
		{"reachable from outside behind a proxy, tokens from elsewhere", func(s *Settings) {
			s.Listen, s.TLSElsewhere, s.JWKSURL, s.Issuer = ":7420", true, "https://id/jwks", "https://id"
		}, func(t *testing.T, a Arrangement) {
			want(t, "exposed", len(a.Exposed), 1)
			want(t, "notes", len(a.Notes), 2)
		}},
		{"metrics reachable from outside", func(s *Settings) { s.OpsListen = "0.0.0.0:7421" },
			func(t *testing.T, a Arrangement) { want(t, "exposed", strings.Join(a.Exposed, " "), "ops_listen") }},
		{"loopback has several names", func(s *Settings) { s.Listen, s.OpsListen = "localhost:0", "[::1]:0" },
			func(t *testing.T, a Arrangement) { want(t, "exposed", len(a.Exposed), 0) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := mustDefaults(t)
			c.change(&s)
			a, err := Arrange(s)
			if err != nil {
				t.Fatal(err)
			}
			c.check(t, a)
		})
	}
}

func TestArrangeRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Settings)
		// says are what the refusal must contain: the setting and each remedy.
		says []string
	}{
		{"a module that is none", func(s *Settings) { s.Modules = []string{"intak"} }, []string{`"intak"`, `"intake"`}},
		{"a service without bus and without NATS", func(s *Settings) { s.Modules = []string{"access"} }, []string{"access", "module bus", "nats_url"}},
		{"two buses", func(s *Settings) { s.Modules, s.NATSURL = []string{"bus", "access"}, "nats://x:1" }, []string{"module bus", "nats_url"}},
		{"a bus for the whole network", func(s *Settings) { s.BusListen = "0.0.0.0:7422" }, []string{"bus_listen", "127.0.0.1", "nats_url"}},
		{"a source nobody runs", func(s *Settings) { s.Modules = []string{"bus", "reliability", "access"} },
			[]string{"reliability", "module intake", "peers intake=HOST:PORT"}},
		{"no access anywhere", func(s *Settings) { s.Modules = []string{"bus", "intake", "reliability"} },
			[]string{"intake, reliability", "module access", "peers access=HOST:PORT"}},
		{"a peer that is no service", func(s *Settings) { s.Peers = map[string]string{"intakes": "a:1"} }, []string{`"intakes"`, `"intake"`}},
		{"a peer without port", func(s *Settings) { s.Peers = map[string]string{"intake": "host"} }, []string{"peers: intake", "HOST:PORT"}},
		{"tokens issued in plain to the world", func(s *Settings) { s.Listen = "0.0.0.0:7420" }, []string{"listen", "tls_cert", "127.0.0.1"}},
		{"tokens issued in plain, whoever ends TLS", func(s *Settings) { s.Listen, s.TLSElsewhere = ":7420", true }, []string{"tls_cert"}},
		{"a service in plain to the world", func(s *Settings) {
			s.Modules, s.Listen = []string{"bus", "intake"}, "10.0.0.1:7420"
			s.Peers = map[string]string{"access": "127.0.0.1:1"}
		}, []string{"listen", "tls_cert", "tls_elsewhere"}},
		{"peers on other machines in plain", func(s *Settings) {
			s.Modules, s.Peers = []string{"bus", "intake"}, map[string]string{"access": "dns:///a:1"}
		}, []string{"peers: access", "peer_ca", "tls_elsewhere"}},
		{"half a certificate", func(s *Settings) { s.TLSCert = "c.pem" }, []string{"tls_cert", "tls_key"}},
		{"client certificates without TLS", func(s *Settings) { s.TLSClientCA = "ca.pem" }, []string{"tls_client_ca", "tls_cert"}},
		{"half a NATS certificate", func(s *Settings) { s.NATSURL, s.NATSKey = "nats://x:1", "k" }, []string{"nats_cert", "nats_key"}},
		{"an address without port", func(s *Settings) { s.OpsListen = "7421" }, []string{"ops_listen", "HOST:PORT"}},
		{"another database", func(s *Settings) { s.SQLURL = "mysql://x" }, []string{"sql_url", "postgres://"}},
		{"another blob store", func(s *Settings) { s.BlobURL = "ftp://x" }, []string{"blob_url", "s3://"}},
		{"no data folder", func(s *Settings) { s.Data = "" }, []string{"data", "folder"}},
		{"keys fetched in plain", func(s *Settings) { s.JWKSURL, s.Issuer = "http://id/jwks", "x" }, []string{"jwks_url", "https://"}},
		{"another provider under our name", func(s *Settings) { s.JWKSURL = "https://id/jwks" }, []string{"issuer", "iss"}},
		{"a share above one", func(s *Settings) { s.TraceSampling = 1.5 }, []string{"trace_sampling", "0 to 1"}},
		{"no copy of a stream", func(s *Settings) { s.NATSReplicas = 0 }, []string{"nats_replicas", "1 to 5"}},
		{"no time to stop", func(s *Settings) { s.ShutdownDeadline = -time.Second }, []string{"shutdown_deadline", "20s"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := mustDefaults(t)
			c.change(&s)
			_, err := Arrange(s)
			if err == nil {
				t.Fatal("accepted")
			}
			for _, w := range c.says {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}

func want[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}
