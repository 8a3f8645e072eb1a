package run

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/test/bufconn"
)

// maxMessage bounds a gRPC message both ways.
const maxMessage = 4 << 20

// dialer gives services their connections to each other: in memory to those
// that run here, over TCP to the others. Connections are made when first used,
// so that a start waits for no peer.
type dialer struct {
	conns map[string]*grpc.ClientConn
}

// newDialer prepares a connection to every service of the installation.
func newDialer(a Arrangement, s Settings, door *bufconn.Listener, watch stats.Handler) (*dialer, error) {
	remote, err := peerTransport(s)
	if err != nil {
		return nil, err
	}
	d := &dialer{conns: map[string]*grpc.ClientConn{}}
	for service, peer := range a.Peers {
		var cc *grpc.ClientConn
		if peer.InMemory {
			cc, err = dialMemory(door)
		} else {
			cc, err = dialPeer(peer.Address, remote, watch)
		}
		if err != nil {
			return nil, errors.Join(fmt.Errorf("connect to %s: %w", service, err), d.close(context.Background()))
		}
		d.conns[service] = cc
	}
	return d, nil
}

// dial gives a service its connection to another.
type dial func(service string) (grpc.ClientConnInterface, error)

// as signs the calls with a service's own credentials.
func (d *dialer) as(who credentials.PerRPCCredentials) dial {
	by := grpc.PerRPCCredentials(who)
	return func(service string) (grpc.ClientConnInterface, error) {
		cc, ok := d.conns[service]
		if !ok {
			return nil, fmt.Errorf("service %s is not part of this installation", service)
		}
		return signed{cc, by}, nil
	}
}

func (d *dialer) close(context.Context) error {
	var errs []error
	for _, cc := range d.conns {
		errs = append(errs, cc.Close())
	}
	return errors.Join(errs...)
}

func dialMemory(door *bufconn.Listener) (*grpc.ClientConn, error) {
	return grpc.NewClient("passthrough:///memory", append(commonOptions(),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithUnaryInterceptor(carryUnary),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return door.DialContext(ctx) }),
	)...)
}

// takeTurns spreads calls over all addresses of a dns:/// name.
const takeTurns = `{"loadBalancingConfig":[{"round_robin":{}}]}`

func dialPeer(target string, transport credentials.TransportCredentials, watch stats.Handler) (*grpc.ClientConn, error) {
	if !strings.HasPrefix(target, "dns:///") {
		target = "passthrough:///" + target
	}
	return grpc.NewClient(target, append(commonOptions(),
		grpc.WithTransportCredentials(transport),
		grpc.WithDefaultServiceConfig(takeTurns),
		grpc.WithStatsHandler(watch),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 10 * time.Second}),
	)...)
}

// dialPeerPlainly is dialPeer for a caller of its own settings.
func dialPeerPlainly(target string, s Settings, watch stats.Handler) (*grpc.ClientConn, error) {
	transport, err := peerTransport(s)
	if err != nil {
		return nil, err
	}
	return dialPeer(target, transport, watch)
}

func commonOptions() []grpc.DialOption {
	return []grpc.DialOption{
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage), grpc.MaxCallSendMsgSize(maxMessage)),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff: backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 5 * time.Second},
			// A peer that has just started must not be met with a long wait.
			MinConnectTimeout: 2 * time.Second,
		}),
	}
}

// carryUnary carries the trace of calls in memory.
func carryUnary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, next grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	return next(carry(ctx), method, req, reply, cc, opts...)
}

// signed is a connection on which every call is signed by one service.
type signed struct {
	grpc.ClientConnInterface
	by grpc.CallOption
}

func (s signed) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return s.ClientConnInterface.Invoke(ctx, method, args, reply, append(opts, s.by)...)
}

func (s signed) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return s.ClientConnInterface.NewStream(ctx, desc, method, append(opts, s.by)...)
}

// peerTransport is TLS towards peers when their authority is known, with this
// process's certificate in case they ask for one.
func peerTransport(s Settings) (credentials.TransportCredentials, error) {
	if s.PeerCA == "" {
		return insecure.NewCredentials(), nil
	}
	pool, err := certPool("peer_ca", s.PeerCA)
	if err != nil {
		return nil, err
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
	if s.TLSCert != "" {
		pair, err := tls.LoadX509KeyPair(s.TLSCert, s.TLSKey)
		if err != nil {
			return nil, fmt.Errorf("tls_cert, tls_key: %w", err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return credentials.NewTLS(t), nil
}

func certPool(setting, file string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", setting, err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s: %s holds no PEM certificate", setting, file)
	}
	return pool, nil
}
