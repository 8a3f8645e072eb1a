package upkeep

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// Hosted is one service of this process.
type Hosted struct {
	Name   string
	Store  *db.DB
	Outbox *events.Outbox
	// Inbox is nil for a service that follows nothing.
	Inbox *events.Inbox
	Audit *access.Audit
	// Checks tells how the service's dependencies are; nil: none are told.
	Checks func(context.Context) []Check
}

// Check is one finding about a service.
type Check struct {
	Name string
	OK   bool
	// Detail says what was seen and, when not OK, what to do.
	Detail string
}

// Config is what a Server needs.
type Config struct {
	// Version of the software.
	Version string
	Clock   clock.Clock
	Hosted  []Hosted
}

// Server answers UpkeepService for the services of one process.
type Server struct {
	upkeepv1.UnimplementedUpkeepServiceServer
	version string
	clock   clock.Clock
	hosted  []Hosted
}

// NewServer makes the server; services are answered in order of their names.
func NewServer(c Config) *Server {
	hosted := slices.Clone(c.Hosted)
	slices.SortFunc(hosted, func(a, b Hosted) int { return cmp.Compare(a.Name, b.Name) })
	return &Server{version: c.Version, clock: c.Clock, hosted: hosted}
}

// Register puts the service on a gRPC server.
func (s *Server) Register(r grpc.ServiceRegistrar) { upkeepv1.RegisterUpkeepServiceServer(r, s) }

// find gives a hosted service, or says which there are.
func (s *Server) find(name string) (Hosted, error) {
	names := make([]string, 0, len(s.hosted))
	for _, h := range s.hosted {
		if h.Name == name {
			return h, nil
		}
		names = append(names, h.Name)
	}
	return Hosted{}, fault.Newf(codes.NotFound, faultv1.Reason_REASON_NOT_FOUND,
		"service %q does not run in this process; these do: %s", name, strings.Join(names, ", "))
}

// findFollower gives a hosted service that follows events.
func (s *Server) findFollower(name string) (Hosted, error) {
	h, err := s.find(name)
	if err == nil && h.Inbox == nil {
		err = fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_NOT_FOUND,
			"service %q follows no events, so it has none parked and nothing to replay", name)
	}
	return h, err
}

// entry begins an audit entry about what the caller decides.
func (s *Server) entry(ctx context.Context, what, method, subject, detail string) access.Entry {
	who := access.From(ctx)
	return access.Entry{At: s.clock.Now(), What: what, PrincipalID: who.ID, Tenant: events.Network,
		Method: method, Subject: subject, Detail: detail}
}

// record writes an entry that stands for itself.
func (h Hosted) record(ctx context.Context, e access.Entry) error {
	return h.Store.Write(ctx, func(tx *db.Tx) error { return h.Audit.Record(tx, e) })
}
