package run

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// busStart bounds the start of the embedded server; recovering a million
// messages takes it less than a second.
const busStart = 20 * time.Second

// bus is the embedded NATS server.
type bus struct{ server *server.Server }

// openBus starts the server on its folder. Every write is flushed before it is
// acknowledged. Only services of this installation can sign in.
func openBus(folder, listen string, users []*server.User, log *slog.Logger) (*bus, error) {
	host, port, err := splitListen(listen)
	if err != nil {
		return nil, err
	}
	s, err := server.NewServer(&server.Options{
		ServerName: "spindlewright", Host: host, Port: port, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: folder, SyncAlways: true, JetStreamMaxMemory: 64 << 20,
		Users: users, PingInterval: 20 * time.Second,
	})
	if err != nil {
		return nil, fmt.Errorf("embedded NATS: %w", err)
	}
	fatal := make(chan string, 8)
	s.SetLoggerV2(busLog{log, fatal}, false, false, false)
	go s.Start()
	ready := make(chan bool, 1)
	go func() { ready <- s.ReadyForConnections(busStart) }()
	select {
	case ok := <-ready:
		if ok {
			return &bus{s}, nil
		}
		err = fmt.Errorf("not ready within %v", busStart)
	case text := <-fatal:
		err = errors.New(text)
	}
	s.Shutdown()
	s.WaitForShutdown()
	return nil, fmt.Errorf("embedded NATS on %s: %w", listen, err)
}

func splitListen(listen string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(listen)
	if err != nil {
		return "", 0, err
	}
	if port, err = strconv.Atoi(text); err != nil {
		return "", 0, fmt.Errorf("bus_listen: %q is no port number", text)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	return host, port, nil
}

func (b *bus) addr() string {
	if a := b.server.Addr(); a != nil {
		return a.String()
	}
	return ""
}

func (b *bus) close(context.Context) error {
	b.server.Shutdown()
	b.server.WaitForShutdown()
	return nil
}

// busLog passes on what an operator should read, and tells a failed start.
type busLog struct {
	log   *slog.Logger
	fatal chan<- string
}

// Noticef and the next two speak of every start and connection.
func (l busLog) Noticef(format string, v ...any) { l.log.Debug("bus: " + fmt.Sprintf(format, v...)) }

// Debugf is part of server.Logger.
func (l busLog) Debugf(string, ...any) {}

// Tracef is part of server.Logger.
func (l busLog) Tracef(string, ...any) {}

// Warnf passes a warning on.
func (l busLog) Warnf(format string, v ...any) { l.log.Warn("bus: " + fmt.Sprintf(format, v...)) }

// Errorf passes an error on.
func (l busLog) Errorf(format string, v ...any) { l.log.Error("bus: " + fmt.Sprintf(format, v...)) }

// Fatalf would end a server of its own; here the start fails instead.
func (l busLog) Fatalf(format string, v ...any) {
	select {
	case l.fatal <- fmt.Sprintf(format, v...):
	default:
		l.log.Error("bus: " + fmt.Sprintf(format, v...))
	}
}
