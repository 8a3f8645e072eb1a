package access

import (
	"context"

	"spindlewright/pkg/access"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// GetJwks publishes the keys that verify tokens.
func (s *Service) GetJwks(ctx context.Context, _ *accessv1.GetJwksRequest) (*accessv1.GetJwksResponse, error) {
	keys, err := s.keys.published(ctx)
	if err != nil {
		return nil, err
	}
	set, err := access.FormatJWKS(keys)
	if err != nil {
		return nil, err
	}
	return &accessv1.GetJwksResponse{Jwks: string(set)}, nil
}

// RotateSigningKey makes a new key that signs from now on.
func (s *Service) RotateSigningKey(ctx context.Context, req *accessv1.RotateSigningKeyRequest) (*accessv1.RotateSigningKeyResponse, error) {
	who := access.From(ctx)
	fresh, err := s.keys.create()
	if err != nil {
		return nil, err
	}
	call := s.call(who, accessv1.AccessService_RotateSigningKey_FullMethodName, req.GetRequestId(), req)
	answer, err := command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.RotateSigningKeyResponse, error) {
		if err := s.keys.retire(tx); err != nil {
			return nil, err
		}
		if err := s.keys.enter(tx, fresh); err != nil {
			return nil, err
		}
		return &accessv1.RotateSigningKeyResponse{KeyId: fresh.id}, s.audit.Record(tx, access.Entry{What: "signing key rotated",
			PrincipalID: who.ID, Tenant: who.Tenant(), Method: accessv1.AccessService_RotateSigningKey_FullMethodName, Subject: fresh.id})
	})
	// After an error the file stays: whether COMMIT came through may be
	// unknown, and the sweep removes what was not entered.
	if err == nil && answer.GetKeyId() != fresh.id {
		if err := s.keys.discard(fresh); err != nil {
			s.log.WarnContext(ctx, "unused key file not removed; the sweep will", "key", fresh.id, "error", err)
		}
	}
	return answer, err
}
