package upkeep

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/pkg/rig"
)

var start = time.Date(2031, 5, 4, 3, 2, 1, 0, time.UTC)

// picky follows "job" of the source "jobs" and parks what it is told to.
type picky struct{ refuses bool }

func (*picky) Entities() map[string][]string { return map[string][]string{"jobs": {"job"}} }
func (*picky) Reset(*db.Tx) error            { return nil }
func (p *picky) Apply(_ *db.Tx, batch []events.Event) (map[int]string, error) {
	park := map[int]string{}
	for n := range batch {
		if p.refuses {
			park[n] = "not to its liking"
		}
	}
	return park, nil
}

// process hosts the source "jobs" and the service "reader" that follows it.
type process struct {
	*Server
	jobs, reader Hosted
	follow       *picky
	clock        *clock.Manual
}

func newProcess(t *testing.T, url string) *process {
	t.Helper()
	p := &process{follow: &picky{}, clock: clock.NewManual(start)}
	host := func(name string) Hosted {
		store, err := db.Open(t.Context(), db.Config{Service: name, URL: url, Folder: t.TempDir(),
			Migrations: []db.Migrations{events.OutboxMigrations, events.InboxMigrations, access.AuditMigrations}})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = store.Close() })
		return Hosted{Name: name, Store: store, Outbox: events.NewOutbox(store, name, clock.RandomIDs()), Audit: access.NewAudit(store, p.clock)}
	}
	p.jobs, p.reader = host("jobs"), host("reader")
	archive := func(ctx context.Context, _ string, after int64, limit int) ([]events.Event, int64, int64, error) {
		return p.jobs.Outbox.Read(ctx, after, limit)
	}
	p.reader.Inbox = events.NewInbox(events.InboxConfig{Store: p.reader.Store, Service: "reader", Clock: p.clock, Archive: archive, Follow: p.follow})
	p.jobs.Checks = func(context.Context) []Check { return []Check{{Name: "disk", OK: true, Detail: "9 GiB free"}} }
	p.Server = NewServer(Config{Version: "v1.2.3", Clock: p.clock, Hosted: []Hosted{p.reader, p.jobs}})
	return p
}

// record appends events of one entity and gives them positions, as a relay does.
func (p *process) record(t *testing.T, texts ...string) (ids []string) {
	t.Helper()
	nc := rig.NATS(t)
	err := p.jobs.Store.Write(t.Context(), func(tx *db.Tx) error {
		ids = ids[:0]
		for n, text := range texts {
			p.clock.Advance(time.Microsecond)
			e, err := p.jobs.Outbox.Append(tx, events.Draft{Tenant: events.Network, EntityType: "job", EntityID: "j", Revision: int64(n + 1),
				Happened: "noted", OccurredAt: start, RecordedAt: p.clock.Now(), Body: wrapperspb.String(text)})
			if err != nil {
				return err
			}
			ids = append(ids, e.ID)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.jobs.Outbox.Relay(ctx, nc) }()
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(2 * time.Millisecond) {
		if end, open, _, err := p.jobs.Outbox.State(t.Context()); err == nil && end == int64(len(texts)) && open == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the events got no positions within 20 s")
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return ids
}

func operator(ctx context.Context) context.Context {
	return access.With(ctx, access.Principal{ID: "person-7", Roles: []accessv1.Role{accessv1.Role_ROLE_OPERATOR}})
}

func (p *process) audit(t *testing.T, service string) (lines []string) {
	t.Helper()
	token := ""
	for {
		page, err := p.ListAudit(operator(t.Context()), &upkeepv1.ListAuditRequest{Service: service, PageSize: 2, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.GetEntries() {
			lines = append(lines, e.GetWhat()+" by "+e.GetPrincipalId()+": "+e.GetDetail())
		}
		if token = page.GetNextPageToken(); token == "" {
			return lines
		}
	}
}

func TestAnArchiveReadOverRPC(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		p := newProcess(t, url)
		texts := make([]string, 25)
		for n := range texts {
			texts[n] = strings.Repeat("x", 200<<10) // 5 MiB, more than gRPC takes at once
		}
		ids := p.record(t, texts...)
		archive := ArchiveOver(dialTo(t, p.Server))
		var got []string
		for after, reads := int64(0), 0; ; reads++ {
			list, end, epoch, err := archive(t.Context(), "jobs", after, 500)
			if err != nil {
				t.Fatal(err)
			}
			if end != 25 || epoch != 1 {
				t.Fatalf("end %d, epoch %d", end, epoch)
			}
			if len(list) == 0 {
				if reads < 3 {
					t.Errorf("5 MiB came in %d answers, which is too much for one", reads)
				}
				break
			}
			for _, e := range list {
				got = append(got, e.ID)
				after = e.Position
			}
		}
		if !slices.Equal(got, ids) {
			t.Errorf("got %d events in another order than the %d recorded", len(got), len(ids))
		}
	})
}

func dialTo(t *testing.T, s *Server) func(string) (grpc.ClientConnInterface, error) {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer()
	s.Register(server)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///hosted", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return func(string) (grpc.ClientConnInterface, error) { return conn, nil }
}

func TestAServiceOfAnotherProcess(t *testing.T) {
	p := newProcess(t, "")
	ctx := operator(t.Context())
	for name, call := range map[string]func() error{
		"ReadOutbox": func() error { _, err := p.ReadOutbox(ctx, &upkeepv1.ReadOutboxRequest{Service: "other"}); return err },
		"ListParkedEvents": func() error {
			_, err := p.ListParkedEvents(ctx, &upkeepv1.ListParkedEventsRequest{Service: "other"})
			return err
		},
		"RetryParkedEvent": func() error {
			_, err := p.RetryParkedEvent(ctx, &upkeepv1.RetryParkedEventRequest{Service: "other"})
			return err
		},
		"SkipParkedEvent": func() error {
			_, err := p.SkipParkedEvent(ctx, &upkeepv1.SkipParkedEventRequest{Service: "other"})
			return err
		},
		"Replay":     func() error { _, err := p.Replay(ctx, &upkeepv1.ReplayRequest{Service: "other"}); return err },
		"BeginEpoch": func() error { _, err := p.BeginEpoch(ctx, &upkeepv1.BeginEpochRequest{Service: "other"}); return err },
		"ListAudit":  func() error { _, err := p.ListAudit(ctx, &upkeepv1.ListAuditRequest{Service: "other"}); return err },
	} {
		err := call()
		if !fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) || !strings.Contains(err.Error(), "jobs, reader") {
			t.Errorf("%s: %v; want NOT_FOUND that names jobs, reader", name, err)
		}
	}
}

func TestParkedEventsAreListedRetriedAndSkippedOnRecord(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		p := newProcess(t, url)
		ctx := operator(t.Context())
		ids := p.record(t, "a", "b", "c")
		p.follow.refuses = true
		if _, err := p.Replay(ctx, &upkeepv1.ReplayRequest{Service: "reader"}); err != nil {
			t.Fatal(err)
		}
		var listed []string
		for token := ""; ; {
			page, err := p.ListParkedEvents(ctx, &upkeepv1.ListParkedEventsRequest{Service: "reader", PageSize: 2, PageToken: token})
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range page.GetEvents() {
				listed = append(listed, e.GetEvent().GetEventId())
				if e.GetReason() != "not to its liking" || e.GetAttempts() != 1 || e.GetEvent().GetType() != "google.protobuf.StringValue" {
					t.Errorf("listed %v", e)
				}
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
		slices.Sort(listed)
		if want := slices.Sorted(slices.Values(ids)); !slices.Equal(listed, want) {
			t.Errorf("listed %v, want %v", listed, want)
		}
		retry := func(id string) *upkeepv1.RetryParkedEventResponse {
			r, err := p.RetryParkedEvent(ctx, &upkeepv1.RetryParkedEventRequest{Service: "reader", EventId: id})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		if r := retry(ids[0]); r.GetApplied() || r.GetReason() != "not to its liking" {
			t.Errorf("retry of what is still refused: %v", r)
		}
		p.follow.refuses = false
		if r := retry(ids[0]); !r.GetApplied() || r.GetReason() != "" {
			t.Errorf("retry of what is not: %v", r)
		}
		skip := &upkeepv1.SkipParkedEventRequest{Service: "reader", EventId: ids[1], Reason: "agreed with the shop"}
		if _, err := p.SkipParkedEvent(ctx, skip); err != nil {
			t.Fatal(err)
		}
		if _, err := p.SkipParkedEvent(ctx, skip); !fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) {
			t.Errorf("a second skip: %v, want NOT_FOUND", err)
		}
		want := []string{
			"parked event skipped by person-7: agreed with the shop",
			"parked event retried by person-7: applied",
			"parked event retried by person-7: still parked: not to its liking",
			"replay by person-7: 3 events folded",
			"replay by person-7: begun",
		}
		if got := p.audit(t, "reader"); !slices.Equal(got, want) {
			t.Errorf("the audit says %q, want %q", got, want)
		}
	})
}

func TestPageTokensThatAreNotOurs(t *testing.T) {
	p := newProcess(t, "")
	ctx := operator(t.Context())
	for _, token := range []string{"x", "-1", "0"} {
		if _, err := p.ListAudit(ctx, &upkeepv1.ListAuditRequest{Service: "jobs", PageToken: token}); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
			t.Errorf("ListAudit with %q: %v", token, err)
		}
		if _, err := p.ListParkedEvents(ctx, &upkeepv1.ListParkedEventsRequest{Service: "reader", PageToken: token}); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
			t.Errorf("ListParkedEvents with %q: %v", token, err)
		}
	}
}

func TestAnEpochIsBegunOnRecord(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		p := newProcess(t, url)
		r, err := p.BeginEpoch(operator(t.Context()), &upkeepv1.BeginEpochRequest{Service: "jobs", Reason: "restored the copy of Sunday"})
		if err != nil || r.GetEpoch() != 2 {
			t.Fatalf("%v, %v", r, err)
		}
		if got := p.audit(t, "jobs"); len(got) != 1 || got[0] != "epoch begun by person-7: epoch 2: restored the copy of Sunday" {
			t.Errorf("the audit says %q", got)
		}
	})
}

func TestTheStateOfAProcess(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		p := newProcess(t, url)
		p.follow.refuses = true
		p.record(t, "a", "b")
		if _, err := p.Replay(operator(t.Context()), &upkeepv1.ReplayRequest{Service: "reader"}); err != nil {
			t.Fatal(err)
		}
		r, err := p.GetState(operator(t.Context()), &upkeepv1.GetStateRequest{})
		if err != nil {
			t.Fatal(err)
		}
		var lines []string
		for _, s := range r.GetServices() {
			lines = append(lines, fmt.Sprintf("%s end %d unpublished %d epoch %d parked %d held %d applied %v checks %d",
				s.GetService(), s.GetOutboxEnd(), s.GetOutboxUnpublished(), s.GetEpoch(), s.GetParked(), s.GetHeld(), s.GetApplied(), len(s.GetChecks())))
		}
		want := []string{
			"jobs end 2 unpublished 0 epoch 1 parked 0 held 0 applied map[] checks 1",
			"reader end 0 unpublished 0 epoch 1 parked 2 held 0 applied map[jobs:2] checks 0",
		}
		if !slices.Equal(lines, want) || r.GetSoftwareVersion() != "v1.2.3" {
			t.Errorf("got %q, version %s; want %q", lines, r.GetSoftwareVersion(), want)
		}
	})
}

func TestAServiceThatFollowsNothing(t *testing.T) {
	p := newProcess(t, "")
	_, err := p.Replay(operator(t.Context()), &upkeepv1.ReplayRequest{Service: "jobs"})
	if err == nil || !strings.Contains(err.Error(), "follows no events") {
		t.Errorf("replay: %v", err)
	}
}

func TestOneAnswerOfParkedEventsIsBounded(t *testing.T) {
	big := events.Parked{Event: events.Event{Payload: make([]byte, 250<<10)}}
	page, cut := withinAnswer(slices.Repeat([]events.Parked{big}, 20))
	if len(page) != 9 || !cut { // the ninth reaches 2 MiB
		t.Errorf("%d events, cut %v", len(page), cut)
	}
	if page, cut := withinAnswer([]events.Parked{big}); len(page) != 1 || cut {
		t.Errorf("%d events, cut %v", len(page), cut)
	}
}
