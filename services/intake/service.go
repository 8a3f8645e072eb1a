package intake

import (
	"context"
	"embed"
	"errors"
	"io"
	"io/fs"
	"log/slog"

	"google.golang.org/grpc"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// Name of the service.
const Name = "intake"

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

// Blobs keep the bytes of files, by shop and SHA-256.
type Blobs interface {
	Put(ctx context.Context, tenant, sha256 string, size int64, r io.Reader) error
	Get(ctx context.Context, tenant, sha256 string) (io.ReadCloser, error)
	Delete(ctx context.Context, tenant, sha256 string) error
}

// Ask asks an installed service which of the kinds of evidence it has for a
// visit of an order: kind -> id of its evidence, kinds without any left out.
type Ask func(ctx context.Context, service, workOrderID string, visit int32, kinds []string) (map[string]string, error)

// Deps are what the service is built from.
type Deps struct {
	Store    *db.DB
	Outbox   *events.Outbox
	Commands *command.Runner
	Audit    *access.Audit
	Clock    clock.Clock
	IDs      clock.IDs
	Log      *slog.Logger
	Blobs    Blobs
	// Installed tells whether the installation has a service. A gate asks
	// only those; a person's evidence answers for the others. nil: none.
	Installed func(service string) bool
	// Ask reaches those services. Needed once Installed says yes to a source
	// of evidence; a gate that cannot ask stays shut.
	Ask Ask
}

// Service is the intake service.
type Service struct {
	intakev1.UnimplementedIntakeServiceServer

	store     *db.DB
	outbox    *events.Outbox
	commands  *command.Runner
	audit     *access.Audit
	clock     clock.Clock
	ids       clock.IDs
	log       *slog.Logger
	blobs     Blobs
	installed func(string) bool
	ask       Ask
}

// New makes the service. It names every dependency that is missing.
func New(d Deps) (*Service, error) {
	var missing []error
	for name, absent := range map[string]bool{
		"Store": d.Store == nil, "Outbox": d.Outbox == nil, "Commands": d.Commands == nil, "Audit": d.Audit == nil,
		"Clock": d.Clock == nil, "IDs": d.IDs == nil, "Log": d.Log == nil, "Blobs": d.Blobs == nil,
	} {
		if absent {
			missing = append(missing, errors.New("intake: no "+name))
		}
	}
	if len(missing) > 0 {
		return nil, errors.Join(missing...)
	}
	if d.Installed == nil {
		d.Installed = func(string) bool { return false }
	}
	return &Service{store: d.Store, outbox: d.Outbox, commands: d.Commands, audit: d.Audit, clock: d.Clock, ids: d.IDs,
		log: d.Log, blobs: d.Blobs, installed: d.Installed, ask: d.Ask}, nil
}

// Register offers the service's RPCs.
func (s *Service) Register(r grpc.ServiceRegistrar) { intakev1.RegisterIntakeServiceServer(r, s) }

// Follower keeps the shops that access records.
func (s *Service) Follower() events.Follower { return shopFollower{} }
