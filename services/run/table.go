package run

import (
	"context"
	"errors"
	"net/url"
	"path/filepath"

	"spindlewright/pkg/blob"
	"spindlewright/services/access"
	"spindlewright/services/intake"
	"spindlewright/services/reliability"
)

// serviceTable says how each service is built.
func serviceTable() map[string]builder {
	return map[string]builder{
		access.Name:      {"spindlewright.access.v1.AccessService", access.Migrations, buildAccess},
		intake.Name:      {"spindlewright.intake.v1.IntakeService", intake.Migrations, buildIntake},
		reliability.Name: {"spindlewright.reliability.v1.ReliabilityService", reliability.Migrations, buildReliability},
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

func buildIntake(ctx context.Context, p parts) (service, func() error, error) {
	location := p.plan.BlobURL
	if location == "" {
		folder, err := filepath.Abs(filepath.Join(p.folder, "files"))
		if err != nil {
			return nil, nil, err
		}
		location = (&url.URL{Scheme: "file", Path: folder}).String()
	}
	files, err := blob.Open(ctx, location)
	if err != nil {
		return nil, nil, err
	}
	s, err := intake.New(intake.Deps{
		Store: p.store, Outbox: p.outbox, Commands: p.commands, Audit: p.audit,
		Clock: p.clock, IDs: p.ids, Log: p.log, Blobs: files, Installed: p.plan.Installed,
	})
	if err != nil {
		return nil, nil, errors.Join(err, files.Close())
	}
	p.more = func(ctx context.Context) []check {
		c := check{Name: "files", OK: true, Detail: "can be stored"}
		if err := files.Health(ctx); err != nil {
			c.OK, c.Detail = false, "cannot be stored: "+firstLine(err.Error())
		}
		return []check{c}
	}
	return s, files.Close, nil
}

func buildReliability(_ context.Context, p parts) (service, func() error, error) {
	d := reliability.Deps{Store: p.store, Clock: p.clock, Log: p.log}
	if p.plan.SQLURL != "" {
		// Only then can another process share the store.
		d.Nudger = reliability.NATSNudger(p.conn)
	}
	s, err := reliability.New(d)
	return s, nil, err
}
