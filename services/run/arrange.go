package run

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strings"

	"spindlewright/pkg/access"
	"spindlewright/pkg/vocabulary"
)

// The modules a process can run.
const (
	moduleBus         = "bus"
	moduleAccess      = "access"
	moduleIntake      = "intake"
	moduleReliability = "reliability"
)

var moduleNames = []string{moduleBus, moduleAccess, moduleIntake, moduleReliability}

// follows says whose events a service folds. Every service follows access for
// revocations, access itself apart: it writes them in its own transaction.
var follows = map[string][]string{
	moduleAccess:      nil,
	moduleIntake:      {moduleAccess},
	moduleReliability: {moduleAccess, moduleIntake},
}

// Arrangement is what a process runs and what it meets. It is the only place
// where one process and many differ.
type Arrangement struct {
	// Modules that run here, in the order of moduleNames.
	Modules []string
	// Folders of the modules, to be locked before anything in them is opened.
	Folders map[string]string
	// SQLURL is empty for one SQLite file a service in its folder.
	SQLURL string
	// BlobURL is empty for a folder below the owning service's.
	BlobURL string
	Bus     BusPlan
	// Peers says how each service of the installation is reached.
	Peers map[string]Peer
	Keys  KeyPlan
	// JWKSURL is empty when module access issues the tokens.
	JWKSURL string
	// TLS tells whether the gRPC listener uses it.
	TLS bool
	// Exposed lists the listeners that other machines can reach.
	Exposed []string
	// Notes are said at start: what this arrangement cannot do.
	Notes []string
}

// BusPlan says where events travel.
type BusPlan struct {
	// Host means that the server runs in this process, listening on Listen.
	Host   bool
	Listen string
	// URL of an external server, when Host is false.
	URL string
}

// Peer says how a service is reached: in memory, or at a TCP address.
type Peer struct {
	InMemory bool
	Address  string
}

// KeyPlan says where keys lie and whether this process may make them.
type KeyPlan struct {
	Internal     string
	MakeInternal bool
	Signing      string
}

// Services are the modules here that are services.
func (a Arrangement) Services() []string {
	return slices.DeleteFunc(slices.Clone(a.Modules), func(m string) bool { return m == moduleBus })
}

// Hosts tells whether a module runs here.
func (a Arrangement) Hosts(module string) bool { return slices.Contains(a.Modules, module) }

// Installed tells whether a service exists in the installation, here or elsewhere.
func (a Arrangement) Installed(service string) bool {
	_, ok := a.Peers[service]
	return ok
}

// Arrange resolves the settings. It reads nothing but its argument. What
// cannot work is refused, naming what would.
func Arrange(s Settings) (Arrangement, error) {
	a := Arrangement{
		Folders: map[string]string{}, Peers: map[string]Peer{},
		SQLURL: s.SQLURL, BlobURL: s.BlobURL, JWKSURL: s.JWKSURL, TLS: s.TLSCert != "",
	}
	var err error
	if a.Modules, err = chooseModules(s); err != nil {
		return Arrangement{}, err
	}
	for _, m := range a.Modules {
		a.Folders[m] = filepath.Join(s.Data, m)
	}
	a.Keys = arrangeKeys(s, a)
	err = errors.Join(
		arrangeBus(s, &a),
		arrangePeers(s, &a),
		arrangeListeners(s, &a),
		checkStores(s),
		checkTokens(s),
		checkNumbers(s),
	)
	if err != nil {
		return Arrangement{}, err
	}
	a.Notes = append(a.Notes, notes(s, a)...)
	return a, nil
}

func chooseModules(s Settings) ([]string, error) {
	if len(s.Modules) == 0 {
		if s.NATSURL != "" {
			return moduleNames[1:], nil
		}
		return moduleNames, nil
	}
	for _, m := range s.Modules {
		if !slices.Contains(moduleNames, m) {
			return nil, fmt.Errorf("modules: %q is no module; the nearest is %q (there are %s)", m, vocabulary.Closest(m, moduleNames), strings.Join(moduleNames, ", "))
		}
	}
	return slices.DeleteFunc(slices.Clone(moduleNames), func(m string) bool { return !slices.Contains(s.Modules, m) }), nil
}

func arrangeKeys(s Settings, a Arrangement) KeyPlan {
	k := KeyPlan{Internal: s.InternalKey, Signing: s.SigningKeys, MakeInternal: a.Hosts(moduleAccess) || len(a.Services()) == 0}
	if k.Internal == "" {
		k.Internal = filepath.Join(s.Data, "internal.key")
	}
	if k.Signing == "" {
		k.Signing = filepath.Join(s.Data, moduleAccess, "keys")
	}
	return k
}

func arrangeBus(s Settings, a *Arrangement) error {
	host := a.Hosts(moduleBus)
	switch {
	case host && s.NATSURL != "":
		return errors.New("module bus and nats_url are both given, which would make two buses: leave module bus out, or drop nats_url")
	case !host && s.NATSURL == "":
		return fmt.Errorf("%s has no bus to carry its events: add module bus to this process, or give nats_url, the address of a NATS server", strings.Join(a.Services(), ", "))
	case !host:
		a.Bus = BusPlan{URL: s.NATSURL}
		return checkNATS(s)
	}
	loopback, err := isLoopback("bus_listen", s.BusListen)
	if err != nil {
		return err
	}
	if !loopback {
		return fmt.Errorf("bus_listen: the embedded bus listens on loopback only, not on %s: use 127.0.0.1, or run a NATS server of its own and give nats_url", s.BusListen)
	}
	a.Bus = BusPlan{Host: true, Listen: s.BusListen}
	return nil
}

func checkNATS(s Settings) error {
	if (s.NATSCert == "") != (s.NATSKey == "") {
		return errors.New("nats_cert and nats_key belong together: give both or neither")
	}
	return nil
}

func arrangePeers(s Settings, a *Arrangement) error {
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(s.Peers)) {
		if _, ok := follows[name]; !ok {
			errs = append(errs, fmt.Errorf("peers: %q is no service; the nearest is %q", name, vocabulary.Closest(name, moduleNames[1:])))
			continue
		}
		errs = append(errs, checkTarget("peers: "+name, s.Peers[name], s))
		a.Peers[name] = Peer{Address: s.Peers[name]}
	}
	for _, name := range a.Services() {
		a.Peers[name] = Peer{InMemory: true}
	}
	missing := map[string][]string{}
	for _, name := range a.Services() {
		for _, source := range follows[name] {
			if !a.Installed(source) {
				missing[source] = append(missing[source], name)
			}
		}
	}
	for _, source := range slices.Sorted(maps.Keys(missing)) {
		errs = append(errs, fmt.Errorf("%s follows %s, which is neither here nor among the peers: run module %s here too, or give its address, peers %s=HOST:PORT",
			strings.Join(missing[source], ", "), source, source, source))
	}
	return errors.Join(errs...)
}

// checkTarget accepts HOST:PORT and dns:///HOST:PORT, whose addresses take
// turns. Calls to another machine carry the installation's own tokens, so they
// go in plain only when a proxy takes care.
func checkTarget(what, target string, s Settings) error {
	host, _, err := net.SplitHostPort(strings.TrimPrefix(target, "dns:///"))
	if err != nil {
		return fmt.Errorf("%s: %q is no address; give HOST:PORT, or dns:///HOST:PORT to spread over all addresses of the name", what, target)
	}
	if !loopbackHost(host) && s.PeerCA == "" && !s.TLSElsewhere {
		return fmt.Errorf("%s: calls between services would travel in plain to %s: give peer_ca, or say tls_elsewhere when proxies end TLS at both ends", what, target)
	}
	return nil
}

func arrangeListeners(s Settings, a *Arrangement) error {
	if (s.TLSCert == "") != (s.TLSKey == "") {
		return errors.New("tls_cert and tls_key belong together: give both or neither")
	}
	if s.TLSClientCA != "" && s.TLSCert == "" {
		return errors.New("tls_client_ca asks for callers' certificates, which needs TLS: give tls_cert and tls_key, or drop tls_client_ca")
	}
	for _, l := range []struct{ name, addr string }{{"listen", s.Listen}, {"ops_listen", s.OpsListen}} {
		loopback, err := isLoopback(l.name, l.addr)
		if err != nil {
			return err
		}
		if !loopback {
			a.Exposed = append(a.Exposed, l.name)
		}
	}
	if !slices.Contains(a.Exposed, "listen") || a.TLS {
		return nil
	}
	if a.Hosts(moduleAccess) && s.JWKSURL == "" {
		return fmt.Errorf("listen: module access issues tokens and will not do so in plain on %s: give tls_cert and tls_key, or listen on 127.0.0.1", s.Listen)
	}
	if !s.TLSElsewhere {
		return fmt.Errorf("listen: tokens would travel in plain to %s: give tls_cert and tls_key, listen on 127.0.0.1, or say tls_elsewhere when a proxy in front ends TLS", s.Listen)
	}
	return nil
}

func checkStores(s Settings) error {
	var errs []error
	if s.Data == "" {
		errs = append(errs, errors.New("data: is empty; give a folder, even with PostgreSQL: the locks lie there"))
	}
	if s.SQLURL != "" && !strings.HasPrefix(s.SQLURL, "postgres://") && !strings.HasPrefix(s.SQLURL, "postgresql://") {
		errs = append(errs, errors.New("sql_url: begins with another scheme than postgres://; give postgres://USER@HOST/DATABASE, or leave it empty for SQLite"))
	}
	if s.BlobURL != "" && !strings.HasPrefix(s.BlobURL, "s3://") && !strings.HasPrefix(s.BlobURL, "file:///") {
		errs = append(errs, errors.New("blob_url: begins with neither s3:// nor file:///; give s3://BUCKET?region=..., or leave it empty for a folder in the data folder"))
	}
	return errors.Join(errs...)
}

func checkTokens(s Settings) error {
	if s.JWKSURL == "" {
		return nil
	}
	u, err := url.Parse(s.JWKSURL)
	if err != nil || u.Host == "" {
		return fmt.Errorf("jwks_url: %q is no address; give https://HOST/PATH", s.JWKSURL)
	}
	if u.Scheme != "https" && !loopbackHost(u.Hostname()) {
		return errors.New("jwks_url: keys fetched in plain from another machine can be forged on the way; give an https:// address")
	}
	if s.Issuer == access.BuiltInIssuer {
		return errors.New("issuer: with jwks_url the tokens come from that provider; give the issuer (iss) it writes into them")
	}
	return nil
}

func checkNumbers(s Settings) error {
	var errs []error
	if !(s.TraceSampling >= 0 && s.TraceSampling <= 1) {
		errs = append(errs, fmt.Errorf("trace_sampling: is %v; give a share from 0 to 1", s.TraceSampling))
	}
	if s.NATSReplicas < 1 || s.NATSReplicas > 5 {
		errs = append(errs, fmt.Errorf("nats_replicas: is %d; give 1 to 5, and 3 for a cluster", s.NATSReplicas))
	}
	if s.ShutdownDeadline <= 0 {
		errs = append(errs, fmt.Errorf("shutdown_deadline: is %v; give a time above 0, for example 20s", s.ShutdownDeadline))
	}
	return errors.Join(errs...)
}

// notes says what an arrangement cannot do.
func notes(s Settings, a Arrangement) []string {
	var n []string
	if len(a.Services()) == 0 {
		return n
	}
	if a.SQLURL == "" {
		n = append(n, "SQLite: each service here can have this one replica only; give sql_url to run more")
	}
	if a.SQLURL != "" && a.BlobURL == "" && a.Hosts(moduleIntake) {
		n = append(n, "files lie in the data folder: intake can have this one replica only; give blob_url to run more")
	}
	if plainNATS(s) {
		n = append(n, "events travel in plain to "+maskURLs(s.NATSURL)+"; give nats_ca, or an address that begins with tls://")
	}
	if s.TLSElsewhere && slices.Contains(a.Exposed, "listen") && !a.TLS {
		n = append(n, "the gRPC listener is in plain on "+s.Listen+"; a proxy in front must end TLS")
	}
	return n
}

// plainNATS tells whether a NATS server on another machine is reached without TLS.
func plainNATS(s Settings) bool {
	if s.NATSURL == "" || s.NATSCA != "" {
		return false
	}
	for _, one := range strings.Split(s.NATSURL, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err == nil && u.Scheme != "tls" && !loopbackHost(u.Hostname()) {
			return true
		}
	}
	return false
}

// isLoopback tells whether only this machine can reach a listener.
func isLoopback(what, addr string) (bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false, fmt.Errorf("%s: %q is no address; give HOST:PORT, for example 127.0.0.1:7420", what, addr)
	}
	return loopbackHost(host), nil
}

func loopbackHost(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
