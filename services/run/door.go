package run

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync/atomic"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/test/bufconn"

	"spindlewright/pkg/fault"
	"spindlewright/pkg/telemetry"
)

// memoryBuffer is the window of the listener in memory.
const memoryBuffer = 256 << 10

// door is the one gRPC server of a process, on TCP and in memory.
type door struct {
	server  *grpc.Server
	health  *health.Server
	memory  *bufconn.Listener
	tcp     net.Listener
	tls     *tls.Config
	cert    *certificate
	checks  lateChecks
	serving chan error
	// opened is true while calls are accepted.
	opened atomic.Bool
}

// guard is what pkg/access offers for a server.
type guard interface {
	Unary() grpc.UnaryServerInterceptor
	Stream() grpc.StreamServerInterceptor
}

// lateChecks hold the interceptors that can be made only once services are
// registered: the server must exist before.
type lateChecks struct {
	guard  guard
	unary  grpc.UnaryServerInterceptor
	stream grpc.StreamServerInterceptor
	rules  *validation
}

// newDoor makes the server, without listening. Interceptors run outermost
// first: edge (errors and panics), trace, guard, rules of the contracts.
func newDoor(s Settings, edge fault.Edge, watch *telemetry.Telemetry) (*door, error) {
	d := &door{memory: bufconn.Listen(memoryBuffer), health: health.NewServer(), serving: make(chan error, 2)}
	options := []grpc.ServerOption{
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxSendMsgSize(maxMessage),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		// Connections end now and then, so that callers find new replicas.
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: time.Minute, Timeout: 20 * time.Second,
			MaxConnectionAge: 30 * time.Minute, MaxConnectionAgeGrace: 10 * time.Minute}),
		grpc.MaxConcurrentStreams(1000),
		grpc.StatsHandler(overTCP{otelgrpc.NewServerHandler(
			otelgrpc.WithTracerProvider(watch.Traces), otelgrpc.WithMeterProvider(watch.Metrics), otelgrpc.WithPropagators(watch.Propagation))}),
		grpc.ChainUnaryInterceptor(edge.Unary(), pickUpUnary, d.guardUnary, d.rulesUnary),
		grpc.ChainStreamInterceptor(edge.Stream(), d.guardStream, d.rulesStream),
		grpc.WaitForHandlers(true),
	}
	var err error
	if d.tls, d.cert, err = serverTLS(s, edge.Log); err != nil {
		return nil, err
	}
	if d.tls != nil {
		options = append(options, grpc.Creds(mixed{credentials.NewTLS(d.tls)}))
	}
	d.server = grpc.NewServer(options...)
	healthv1.RegisterHealthServer(d.server, d.health)
	reflection.Register(d.server)
	return d, nil
}

func (d *door) guardUnary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	return d.checks.unary(ctx, req, info, next)
}

func (d *door) guardStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return d.checks.stream(srv, ss, info, next)
}

func (d *door) rulesUnary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	return d.checks.rules.unary(ctx, req, info, next)
}

func (d *door) rulesStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return d.checks.rules.stream(srv, ss, info, next)
}

// open starts to serve. Everything is registered by now.
func (d *door) open(listen string, g guard, contracts []string) error {
	rules, err := newValidation(contracts)
	if err != nil {
		return err
	}
	d.checks = lateChecks{guard: g, unary: g.Unary(), stream: g.Stream(), rules: rules}
	if d.tcp, err = net.Listen("tcp", listen); err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	d.opened.Store(true)
	for _, l := range []net.Listener{d.tcp, d.memory} {
		go func() {
			err := d.server.Serve(l)
			// When it ends by itself, readiness must tell.
			d.opened.Store(false)
			d.serving <- err
		}()
	}
	return nil
}

// close waits for running calls until ctx ends, and then cuts them off.
func (d *door) close(ctx context.Context) error {
	d.opened.Store(false)
	d.health.Shutdown()
	graceful := make(chan struct{})
	go func() {
		d.server.GracefulStop()
		close(graceful)
	}()
	var err error
	select {
	case <-graceful:
	case <-ctx.Done():
		err = errors.New("running calls were cut off at the deadline")
		d.server.Stop()
		<-graceful
	}
	if d.tcp != nil {
		for range 2 {
			// A server stopped before it began to serve says so; that is no fault.
			if e := <-d.serving; !errors.Is(e, grpc.ErrServerStopped) {
				err = errors.Join(err, e)
			}
		}
	}
	return err
}

// clientHandler traces and counts calls to peers.
func clientHandler(watch *telemetry.Telemetry) stats.Handler {
	return otelgrpc.NewClientHandler(otelgrpc.WithTracerProvider(watch.Traces), otelgrpc.WithMeterProvider(watch.Metrics),
		otelgrpc.WithPropagators(watch.Propagation))
}

// discard ends a server that was never opened, with whoever dialled in memory.
func (d *door) discard(context.Context) error {
	d.server.Stop()
	return d.memory.Close()
}

// dialSelf connects over TCP as an outside client does. With TLS, the server
// must show the very certificate that it was given.
func (d *door) dialSelf() (*grpc.ClientConn, error) {
	transport := insecure.NewCredentials()
	if d.tls != nil {
		own := *d.cert.current(time.Now())
		t := &tls.Config{
			MinVersion: tls.VersionTLS12,
			// The certificate itself is compared, which is stricter than its chain.
			InsecureSkipVerify: true,
			VerifyConnection: func(c tls.ConnectionState) error {
				if len(c.PeerCertificates) == 0 || !bytes.Equal(c.PeerCertificates[0].Raw, own.Certificate[0]) {
					return errors.New("another certificate than this process's own")
				}
				return nil
			},
		}
		if d.tls.ClientCAs != nil {
			t.Certificates = []tls.Certificate{own}
		}
		transport = credentials.NewTLS(t)
	}
	return grpc.NewClient("passthrough:///"+d.tcp.Addr().String(), append(commonOptions(), grpc.WithTransportCredentials(transport))...)
}

func serverTLS(s Settings, log *slog.Logger) (*tls.Config, *certificate, error) {
	if s.TLSCert == "" {
		return nil, nil, nil
	}
	cert, err := openCertificate(s.TLSCert, s.TLSKey, log)
	if err != nil {
		return nil, nil, err
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: cert.forServer}
	if s.TLSClientCA != "" {
		if t.ClientCAs, err = certPool("tls_client_ca", s.TLSClientCA); err != nil {
			return nil, nil, err
		}
		t.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return t, cert, nil
}

// mixed asks for TLS on TCP and leaves connections in memory plain.
type mixed struct {
	credentials.TransportCredentials
}

func (m mixed) ServerHandshake(c net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if c.LocalAddr().Network() == inMemoryNetwork {
		return c, memoryInfo{credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}}, nil
	}
	return m.TransportCredentials.ServerHandshake(c)
}

func (m mixed) Clone() credentials.TransportCredentials {
	return mixed{m.TransportCredentials.Clone()}
}

type memoryInfo struct{ credentials.CommonAuthInfo }

func (memoryInfo) AuthType() string { return "memory" }
