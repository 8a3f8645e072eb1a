package run

import (
	"context"
	"path/filepath"

	"spindlewright/services/access"
)

// serviceTable says how each service is built.
func serviceTable() map[string]builder {
	return map[string]builder{
		access.Name: {"spindlewright.access.v1.AccessService", access.Migrations, buildAccess},
	}
}

func buildAccess(ctx context.Context, p parts) (service, func() error, error) {
	s, err := access.New(access.Deps{
		Store: p.store, Outbox: p.outbox, Commands: p.commands, Audit: p.audit, Revocations: p.revocations,
		Clock: p.clock, IDs: p.ids, Log: p.log, KeyFolder: p.plan.Keys.Signing,
	})
	if err != nil {
		return nil, nil, err
	}
	return s, nil, s.EnsureFirstOperator(ctx, OperatorTokenPath(p.settings.Data))
}

// OperatorTokenPath is the file of the first operator's token in a data folder.
func OperatorTokenPath(data string) string {
	return filepath.Join(data, moduleAccess, "operator.token")
}
