package access

import (
	"context"
	"embed"
	"errors"
	"io/fs"
	"log/slog"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// Name of the service.
const Name = "access"

//go:embed migrations/*.sql
var migrationFiles embed.FS

// Migrations creates the service's own tables.
var Migrations = db.Migrations{Name: Name, Files: ownMigrations()}

func ownMigrations() fs.FS {
	files, err := fs.Sub(migrationFiles, "migrations")
	if err != nil { // the folder is embedded above
		return migrationFiles
	}
	return files
}

// Deps are what the service is built from.
type Deps struct {
	Store    *db.DB
	Outbox   *events.Outbox
	Commands *command.Runner
	Audit    *access.Audit
	// Revocations are those of this store; a revocation is in force in this
	// process as soon as it is committed.
	Revocations *access.Revocations
	Clock       clock.Clock
	IDs         clock.IDs
	Log         *slog.Logger
	// KeyFolder holds the private halves of the signing keys.
	KeyFolder string
}

// Service is the access service.
type Service struct {
	accessv1.UnimplementedAccessServiceServer

	store       *db.DB
	outbox      *events.Outbox
	commands    *command.Runner
	audit       *access.Audit
	revocations *access.Revocations
	clock       clock.Clock
	ids         clock.IDs
	log         *slog.Logger
	keys        *keyring
}

// New makes the service. It names every dependency that is missing.
func New(d Deps) (*Service, error) {
	var missing []error
	for name, absent := range map[string]bool{
		"Store": d.Store == nil, "Outbox": d.Outbox == nil, "Commands": d.Commands == nil, "Audit": d.Audit == nil,
		"Revocations": d.Revocations == nil, "Clock": d.Clock == nil, "IDs": d.IDs == nil, "Log": d.Log == nil, "KeyFolder": d.KeyFolder == "",
	} {
		if absent {
			missing = append(missing, errors.New("access: no "+name))
		}
	}
	if len(missing) > 0 {
		return nil, errors.Join(missing...)
	}
	return &Service{
		store: d.Store, outbox: d.Outbox, commands: d.Commands, audit: d.Audit, revocations: d.Revocations,
		clock: d.Clock, ids: d.IDs, log: d.Log,
		keys: &keyring{store: d.Store, clock: d.Clock, folder: d.KeyFolder},
	}, nil
}

// Register offers the service's RPCs.
func (s *Service) Register(r grpc.ServiceRegistrar) { accessv1.RegisterAccessServiceServer(r, s) }

// Follower is nil: the service follows nothing.
func (s *Service) Follower() events.Follower { return nil }

// sweepPause is how often what is over is dropped.
const sweepPause = 10 * time.Minute

// Run sees that there is a signing key, and drops ended tokens and keys, until
// ctx ends.
func (s *Service) Run(ctx context.Context) error {
	tick := time.NewTicker(sweepPause)
	defer tick.Stop()
	for {
		if err := s.tidy(ctx); err != nil && ctx.Err() == nil {
			s.log.WarnContext(ctx, "ended tokens and keys not dropped; tried again in ten minutes", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (s *Service) tidy(ctx context.Context) error {
	if _, err := s.keys.signing(ctx); err != nil {
		return err
	}
	if err := s.dropEndedTokens(ctx); err != nil {
		return err
	}
	return s.keys.sweep(ctx)
}

// call is the identity of a mutating call.
func (s *Service) call(who access.Principal, method, requestID string, body proto.Message) command.Call {
	return command.Call{Tenant: who.Tenant(), Principal: who.ID, Method: method, RequestID: requestID, Body: body}
}

// later is the recording time of a change: now, or just after the last one of
// the entity when the clock has not moved on.
func (s *Service) later(last int64) int64 { return max(clock.Micros(s.clock.Now()), last+1) }

// etag of a revision.
func etag(revision int64) string { return strconv.FormatInt(revision, 10) }
