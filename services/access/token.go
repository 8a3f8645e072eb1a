package access

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

const (
	defaultLifetime  = 8 * time.Hour
	shortestLifetime = time.Minute
	// personLifetime bounds a person's token; a system that nobody attends may
	// have one that lives longer.
	personLifetime     = 24 * time.Hour
	integratorLifetime = access.MaxLifetime
)

// WhoAmI says who the presented token says the caller is.
func (s *Service) WhoAmI(ctx context.Context, _ *accessv1.WhoAmIRequest) (*accessv1.WhoAmIResponse, error) {
	who := access.From(ctx)
	return &accessv1.WhoAmIResponse{PersonId: who.ID, Roles: who.Roles, ShopId: who.ShopID, CustomerId: who.CustomerID,
		ExpiresAt: timestamppb.New(who.ExpiresAt)}, nil
}

// IssueToken signs a token for a person.
func (s *Service) IssueToken(ctx context.Context, req *accessv1.IssueTokenRequest) (*accessv1.IssueTokenResponse, error) {
	who := access.From(ctx)
	key, err := s.keys.signing(ctx)
	if err != nil {
		return nil, err
	}
	var issued access.Principal // stays empty on a repeat, which gives no token
	call := s.call(who, accessv1.AccessService_IssueToken_FullMethodName, req.GetRequestId(), req)
	kept, err := command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.IssueTokenResponse, error) {
		row, err := lockPerson(tx, req.GetPersonId())
		if err != nil {
			return nil, err
		}
		if err := mayChange(who, "person_id", row); err != nil {
			return nil, err
		}
		lifetime, err := row.lifetime(req.GetLifetimeSeconds())
		if err != nil {
			return nil, err
		}
		if issued, err = s.issue(tx, row, lifetime); err != nil {
			return nil, err
		}
		// Whoever holds a token acts in its person's name, also as a second
		// signature: who had it made stays on record.
		if err := s.audit.Record(tx, access.Entry{What: "token issued", PrincipalID: who.ID, Tenant: who.Tenant(),
			Method: accessv1.AccessService_IssueToken_FullMethodName, Subject: row.id, Detail: "token " + issued.TokenID}); err != nil {
			return nil, err
		}
		return &accessv1.IssueTokenResponse{TokenId: issued.TokenID, ExpiresAt: timestamppb.New(issued.ExpiresAt)}, nil
	})
	if err != nil || issued.TokenID != kept.GetTokenId() {
		return kept, err
	}
	kept.Token, err = key.sign(issued) // on this call's own copy
	return kept, err
}

func (p person) lifetime(seconds int64) (time.Duration, error) {
	if p.suspended {
		return 0, precondition("person_id", "names a suspended person; end the suspension first")
	}
	longest, whose := personLifetime, "a person's token (24 hours)"
	if p.has(accessv1.Role_ROLE_INTEGRATOR) {
		longest, whose = integratorLifetime, "an integrator's token (90 days)"
	}
	lifetime := time.Duration(seconds) * time.Second
	switch {
	case seconds == 0:
		return defaultLifetime, nil
	case seconds < 0 || lifetime < shortestLifetime:
		return 0, fault.InvalidField("lifetime_seconds", "is %d; a token lives at least 60 seconds, or 8 hours when 0 is given", seconds)
	case seconds > int64(longest/time.Second):
		return 0, fault.InvalidField("lifetime_seconds", "is %d, longer than %s may live; give at most %d", seconds, whose, int64(longest/time.Second))
	}
	return lifetime, nil
}

// issue notes a new token of a locked person. Its time of issue is after every
// time up to which tokens were voided, also when the clock stands still.
func (s *Service) issue(tx *db.Tx, row person, lifetime time.Duration) (access.Principal, error) {
	at := max(clock.Micros(s.clock.Now()), row.voided+1)
	p := access.Principal{ID: row.id, Roles: row.roles, ShopID: row.shop, CustomerID: row.customer, TokenID: s.ids.New(),
		IssuedAt: clock.FromMicros(at), ExpiresAt: clock.FromMicros(at).Add(lifetime)}
	row.lastIssued = max(at, row.lastIssued)
	if err := updatePerson(tx, row); err != nil {
		return p, err
	}
	return p, insertIssued(tx, p)
}

// RevokeToken ends one token before its time.
func (s *Service) RevokeToken(ctx context.Context, req *accessv1.RevokeTokenRequest) (*accessv1.RevokeTokenResponse, error) {
	who := access.From(ctx)
	call := s.call(who, accessv1.AccessService_RevokeToken_FullMethodName, req.GetRequestId(), req)
	return command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.RevokeTokenResponse, error) {
		owner, expires, err := readIssued(tx, req.GetTokenId())
		if err != nil {
			return nil, err
		}
		row, err := lockPerson(tx, owner)
		if err != nil {
			return nil, err
		}
		if sees(who, row) != nil { // not "no such person": the caller named a token
			return nil, fault.NotFound("token", req.GetTokenId())
		}
		if err := mayGive(who, "token_id", row.roles); err != nil {
			return nil, err
		}
		return s.revoke(tx, who, row, expires, req)
	})
}

func (s *Service) revoke(tx *db.Tx, who access.Principal, row person, expires int64, req *accessv1.RevokeTokenRequest) (*accessv1.RevokeTokenResponse, error) {
	row.revision, row.recorded = row.revision+1, s.later(row.recorded)
	if err := updatePerson(tx, row); err != nil {
		return nil, err
	}
	err := s.recordRevoked(tx, row, &accessv1.TokensRevoked{TokenId: req.GetTokenId(), PersonId: row.id,
		MootAt: timestamppb.New(clock.FromMicros(expires).Add(2 * access.Leeway))})
	if err != nil {
		return nil, err
	}
	err = s.audit.Record(tx, access.Entry{What: "token revoked", PrincipalID: who.ID, Tenant: who.Tenant(),
		Method: accessv1.AccessService_RevokeToken_FullMethodName, Subject: req.GetTokenId(), Detail: req.GetReason()})
	return &accessv1.RevokeTokenResponse{RevokedAt: timestamppb.New(clock.FromMicros(row.recorded))}, err
}

// voidTokens ends every token of a person that was issued so far, as one more
// revision of the person.
func (p *person) voidTokens() *accessv1.TokensRevoked {
	p.revision, p.recorded = p.revision+1, p.recorded+1
	p.voided = max(p.recorded, p.lastIssued)
	until := clock.FromMicros(p.voided)
	return &accessv1.TokensRevoked{PersonId: p.id, IssuedUntil: timestamppb.New(until),
		MootAt: timestamppb.New(until.Add(access.MaxLifetime + 2*access.Leeway))}
}

func (s *Service) recordRevoked(tx *db.Tx, row person, m *accessv1.TokensRevoked) error {
	at := clock.FromMicros(row.recorded)
	_, err := s.outbox.Append(tx, events.Draft{
		Tenant: row.tenant(), EntityType: "person", EntityID: row.id, Revision: row.revision, Happened: "tokens_revoked",
		OccurredAt: at, RecordedAt: at, Body: m,
	})
	if err != nil {
		return err
	}
	return s.revocations.Add(tx, m)
}
