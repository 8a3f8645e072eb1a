package reliability

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// Name of the service.
const Name = "reliability"

// longestWait for a snapshot that has applied what the caller asks for.
const longestWait = 2 * time.Second

// Deps is what the service needs.
type Deps struct {
	// Store has the tables of events.InboxMigrations and Migrations.
	Store *db.DB
	Clock clock.Clock
	Log   *slog.Logger
	// Nudger wakes the other processes of the service; nil when there are none.
	Nudger Nudger
}

// Service answers questions about repair histories.
type Service struct {
	reliabilityv1.UnimplementedReliabilityServiceServer
	store  *db.DB
	follow *follower
	tail   *tail
	limits *limits
}

// New prepares the service; Run works it.
func New(d Deps) (*Service, error) {
	if d.Store == nil {
		return nil, errors.New("reliability needs a store")
	}
	// An inbox that follows nothing still reads the positions of the one that
	// works on the same store, in whichever process that is.
	inbox := events.NewInbox(events.InboxConfig{Store: d.Store, Service: Name, Clock: d.Clock, Log: d.Log})
	t := newTail(d.Store, inbox, d.Nudger, d.Log)
	return &Service{store: d.Store, tail: t, limits: newLimits(), follow: &follower{wake: t.wakeAll}}, nil
}

// Register adds the service to a server.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	reliabilityv1.RegisterReliabilityServiceServer(r, s)
}

// Follower is what the service derives from the events of others.
func (s *Service) Follower() events.Follower { return s.follow }

// Applied may be told of every commit of the inbox (events.InboxConfig), also
// of those that change no history, so that the positions in answers keep up.
func (s *Service) Applied(map[string]int64) { s.tail.wakeAll() }

// Run keeps the snapshot up to date until ctx ends.
func (s *Service) Run(ctx context.Context) error { return s.tail.run(ctx) }

// QueryFailureModes counts what failed.
func (s *Service) QueryFailureModes(ctx context.Context, req *reliabilityv1.QueryFailureModesRequest) (*reliabilityv1.QueryFailureModesResponse, error) {
	q, err := s.question(ctx, req.GetQuestion())
	if err != nil {
		return nil, err
	}
	return q.modes()
}

// QueryMtbr tells how often spindles fail.
func (s *Service) QueryMtbr(ctx context.Context, req *reliabilityv1.QueryMtbrRequest) (*reliabilityv1.QueryMtbrResponse, error) {
	q, err := s.question(ctx, req.GetQuestion())
	if err != nil {
		return nil, err
	}
	return q.mtbr()
}

func (s *Service) question(ctx context.Context, asked *reliabilityv1.Question) (*question, error) {
	snap, err := s.snapshot(ctx, asked.GetAtLeast())
	if err != nil {
		return nil, err
	}
	return readQuestion(snap, access.From(ctx), asked, s.limits)
}

// snapshot gives one that has applied at least the given positions, waiting a
// little for it.
func (s *Service) snapshot(ctx context.Context, atLeast map[string]int64) (*snapshot, error) {
	for _, source := range slices.Sorted(maps.Keys(atLeast)) {
		if _, followed := s.follow.Entities()[source]; !followed {
			return nil, fault.InvalidField("question.at_least", "names the source %.60q; reliability follows access and intake", source)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, longestWait)
	defer cancel()
	snap, ok := s.tail.await(ctx, func(snap *snapshot) bool { return snap.behind(atLeast) == "" })
	switch {
	case ok:
		return snap, nil
	case snap == nil:
		return nil, fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "the histories are still being loaded; try again in a few seconds")
	}
	return nil, fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "%s; try again, or ask for less in question.at_least", snap.behind(atLeast))
}

// behind says which position the snapshot has not reached; empty when none.
func (s *snapshot) behind(atLeast map[string]int64) string {
	for _, source := range slices.Sorted(maps.Keys(atLeast)) {
		if have, want := s.positions[source], atLeast[source]; have < want {
			return fmt.Sprintf("of source %s, %d events are applied and %d were asked for", source, have, want)
		}
	}
	return ""
}
