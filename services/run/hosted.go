package run

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc"

	"spindlewright/pkg/access"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/upkeep"
)

// service is what every service package offers.
type service interface {
	Register(grpc.ServiceRegistrar)
	// Follower is nil for a service that follows nothing of its own.
	Follower() events.Follower
	// Run does background work until ctx ends.
	Run(ctx context.Context) error
}

// hosted is one service that runs here, with all that belongs to it.
type hosted struct {
	name string
	// contract is the full name of its gRPC service.
	contract     string
	service      service
	closeService func() error
	store        *db.DB
	outbox       *events.Outbox
	inbox        *events.Inbox
	commands     *command.Runner
	audit        *access.Audit
	revocations  *access.Revocations
	conn         *nats.Conn
	archive      events.Archive
	// more looks at what only this service depends on; nil: nothing.
	more func(context.Context) []check
}

// close lets go of what was opened, the store last. Its background work has
// ended by then.
func (h *hosted) close(context.Context) error {
	var errs []error
	if h.closeService != nil {
		errs = append(errs, h.closeService())
	}
	if h.conn != nil {
		h.conn.Close()
	}
	if h.store != nil {
		errs = append(errs, h.store.Close())
	}
	return errors.Join(errs...)
}

// sweepEvery is how often answers kept for repeated requests are looked
// through for those that are too old.
const sweepEvery = time.Hour

// check is one finding about a service or the process.
type check struct {
	Name string `json:"name"`
	OK   bool   `json:"ok"`
	// Required: when not OK, the service cannot answer.
	Required bool   `json:"required"`
	Detail   string `json:"detail,omitempty"`
}

// checks looks at what the service depends on.
func (h *hosted) checks(ctx context.Context, work map[string]workState) []check {
	list := []check{h.storeCheck(ctx), h.busCheck()}
	for _, kind := range []string{"relay", "inbox", "service", "audit", "revocations", "answers"} {
		w, ok := work[h.name+" "+kind]
		if !ok {
			continue
		}
		c := check{Name: kind, OK: w.problem == nil, Detail: "running"}
		if w.problem != nil {
			c.Detail = "starts again after: " + firstLine(w.problem.Error())
		}
		list = append(list, c)
	}
	if h.more != nil {
		list = append(list, h.more(ctx)...)
	}
	return list
}

func (h *hosted) storeCheck(ctx context.Context) check {
	c := check{Name: "store", Required: true, OK: true, Detail: string(h.store.Engine())}
	if err := h.store.Health(ctx); err != nil {
		c.OK, c.Detail = false, "does not answer: "+firstLine(err.Error())
	}
	return c
}

func (h *hosted) busCheck() check {
	c := check{Name: "bus", OK: h.conn.IsConnected(), Detail: "joined"}
	if !c.OK {
		c.Detail = "away (" + h.conn.Status().String() + "); commands are accepted, their events wait in the outbox"
	}
	return c
}

// forUpkeep says the same to UpkeepService, and looks deeper.
func (h *hosted) forUpkeep(work func() map[string]workState, more func() []check) upkeep.Hosted {
	return upkeep.Hosted{
		Name: h.name, Store: h.store, Outbox: h.outbox, Inbox: h.inbox, Audit: h.audit,
		Checks: func(ctx context.Context) []upkeep.Check {
			var list []upkeep.Check
			for _, c := range slices.Concat(h.checks(ctx, work()), h.deepChecks(ctx), more()) {
				list = append(list, upkeep.Check{Name: c.Name, OK: c.OK, Detail: c.Detail})
			}
			return list
		},
	}
}

func firstLine(text string) string {
	for i, r := range text {
		if r == '\n' {
			return text[:i]
		}
	}
	return text
}
