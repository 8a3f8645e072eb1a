package run

import (
	"context"
	"errors"
	"log/slog"

	"google.golang.org/grpc"

	"spindlewright/pkg/clock"
)

// Config is what a process is started with.
type Config struct {
	Settings Settings
	// Clock says when things were recorded; nil means the machine's.
	Clock clock.Clock
	// IDs gives identifiers; nil means random ones.
	IDs clock.IDs
	// Log is where the process speaks; nil means nowhere.
	Log *slog.Logger
}

// Site is a running process.
type Site struct{}

// Start starts the modules that the settings name and returns once the
// listeners accept calls.
func Start(ctx context.Context, c Config) (*Site, error) {
	return nil, errors.New("not assembled yet")
}

// Dial connects to a service the way an outside client does: over TCP, with
// the listener's TLS when it has any, without credentials. The caller closes.
func (s *Site) Dial(service string) (*grpc.ClientConn, error) {
	return nil, errors.New("not assembled yet")
}

// GRPCAddr is the address of the gRPC listener.
func (s *Site) GRPCAddr() string { return "" }

// OpsAddr is the address of the operator's HTTP listener.
func (s *Site) OpsAddr() string { return "" }

// OperatorTokenFile is the file that holds the first operator's token, or
// empty when module access does not run here.
func (s *Site) OperatorTokenFile() string { return "" }

// Close stops everything in reverse, within ctx.
func (s *Site) Close(ctx context.Context) error { return nil }

// Summary says, for a person, what runs here and where it is reached.
func (s *Site) Summary() string { return "" }

// OperatorTokenPath is the file of the first operator's token in a data folder.
func OperatorTokenPath(data string) string { return "" }
