package run

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/folder"
	serviceaccess "spindlewright/services/access"
)

// RenewOperatorToken writes a new operator's token to the data folder of module
// access and gives the file. It asks for no token, so it works only where no
// process holds that folder, and for whoever may read the keys in it.
func RenewOperatorToken(ctx context.Context, s Settings) (path string, err error) {
	s.Modules = []string{moduleBus, moduleAccess}
	if s.NATSURL != "" {
		s.Modules = []string{moduleAccess}
	}
	plan, err := Arrange(s)
	if err != nil {
		return "", err
	}
	home := plan.Folders[moduleAccess]
	if !exists(home) {
		return "", fmt.Errorf("%s is not there: --data is not the data folder of a process that ran module access", home)
	}
	lock, err := folder.Acquire(home)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	store, err := db.Open(ctx, db.Config{Service: moduleAccess, URL: s.SQLURL, Folder: home,
		Migrations: migrationsOf(serviceTable()[moduleAccess])})
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	wall, ids := clock.System(), clock.RandomIDs()
	service, err := serviceaccess.New(serviceaccess.Deps{
		Store: store, Outbox: events.NewOutbox(store, moduleAccess, ids), Commands: &command.Runner{Store: store, Clock: wall},
		Audit: access.NewAudit(store, wall), Revocations: access.NewRevocations(store, wall), Clock: wall, IDs: ids,
		Log: slog.New(slog.NewTextHandler(io.Discard, nil)), KeyFolder: plan.Keys.Signing,
	})
	if err != nil {
		return "", err
	}
	path = OperatorTokenPath(s.Data)
	return path, service.RenewFirstOperator(ctx, path)
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
