package run

import (
	"context"
	"time"

	"google.golang.org/grpc/connectivity"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
)

// healthEvery is how often the stores are looked at for the health service.
const healthEvery = 2 * time.Second

// contracts are the full names of the gRPC services that callers may call.
func (s *Site) contracts() []string {
	list := []string{"spindlewright.upkeep.v1.UpkeepService"}
	for _, h := range s.hosted {
		list = append(list, h.contract)
	}
	return list
}

// watchHealth keeps the gRPC health service true: a service serves as long as
// its store answers, whether or not the bus and its peers do.
func (s *Site) watchHealth(ctx context.Context) error {
	tick := time.NewTicker(healthEvery)
	defer tick.Stop()
	for {
		s.noteHealth(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (s *Site) noteHealth(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, readyDeadline)
	defer cancel()
	whole := healthv1.HealthCheckResponse_SERVING
	for _, h := range s.hosted {
		status := healthv1.HealthCheckResponse_SERVING
		if !h.storeCheck(ctx).OK {
			status, whole = healthv1.HealthCheckResponse_NOT_SERVING, healthv1.HealthCheckResponse_NOT_SERVING
		}
		if ctx.Err() == nil {
			s.door.health.SetServingStatus(h.contract, status)
			s.door.health.SetServingStatus(h.name, status)
		}
	}
	if ctx.Err() == nil {
		s.door.health.SetServingStatus("", whole)
	}
}

// checks looks at every dependency now, for /readyz.
func (s *Site) checks(ctx context.Context) []check {
	list := []check{s.doorCheck()}
	work := s.work.states()
	for _, h := range s.hosted {
		for _, c := range h.checks(ctx, work) {
			c.Name = h.name + " " + c.Name
			list = append(list, c)
		}
	}
	return append(list, s.processChecks()...)
}

// processChecks are about what all services here share.
func (s *Site) processChecks() []check {
	list := s.peerChecks()
	if s.plan.Bus.Host {
		return append(list, check{Name: "bus server", OK: s.bus.server.Running(), Detail: s.BusAddr() + ", flushes before it acknowledges"})
	}
	if len(s.hosted) > 0 {
		list = append(list, s.flushCheck())
	}
	return list
}

func (s *Site) doorCheck() check {
	c := check{Name: "listener", Required: true, OK: s.door.opened.Load(), Detail: "accepts calls"}
	if !c.OK {
		c.Detail = "not yet, or not any more"
	}
	return c
}

// peerChecks tells which peers can be reached. A connection that was never
// used is tried now and judged next time.
func (s *Site) peerChecks() []check {
	var list []check
	for _, name := range moduleNames[1:] {
		peer, ok := s.plan.Peers[name]
		if !ok || peer.InMemory {
			continue
		}
		cc := s.dialer.conns[name]
		state := cc.GetState()
		if state == connectivity.Idle {
			cc.Connect()
		}
		c := check{Name: "peer " + name, OK: state != connectivity.TransientFailure, Detail: peer.Address}
		if !c.OK {
			c.Detail += " does not answer; what needs it waits"
		}
		list = append(list, c)
	}
	return list
}

func (s *Site) flushCheck() check {
	c := check{Name: "bus flushes before it acknowledges", OK: true}
	switch s.flush.state() {
	case flushAlways:
		c.Detail = "sync_interval is always"
	case flushLater:
		c.OK, c.Detail = false, "it does not: set sync_interval: always, or accept that a power cut makes it rebuild from the outboxes"
	default:
		c.Detail = "the server does not tell this user"
	}
	return c
}
