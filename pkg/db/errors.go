package db

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
	"google.golang.org/grpc/codes"
	"modernc.org/sqlite"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// SQLite's result codes, https://www.sqlite.org/rescode.html; extended codes
// hold the primary one in their low byte.
const (
	sqliteBusy             = 5
	sqliteLocked           = 6
	sqliteIOErr            = 10
	sqliteFull             = 13
	sqliteCantOpen         = 14
	sqliteForeignKey       = 787
	sqlitePrimaryKeyBroken = 1555
	sqliteUniqueBroken     = 2067
)

// IsUnique reports whether err is a broken unique or primary key.
func IsUnique(err error) bool {
	return hasState(err, "23505") || hasCode(err, sqlitePrimaryKeyBroken, sqliteUniqueBroken)
}

// IsForeignKey reports whether err is a reference to a row that is not there,
// or the removal of one that is referred to.
func IsForeignKey(err error) bool {
	return hasState(err, "23503") || hasCode(err, sqliteForeignKey)
}

// IsUnavailable reports whether err says that the store is away, closed, full or
// held by another process: the same call may succeed later.
func IsUnavailable(err error) bool {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return awayState(pg.Code)
	}
	var lite *sqlite.Error
	if errors.As(err, &lite) {
		return hasPrimary(lite.Code(), sqliteBusy, sqliteLocked, sqliteIOErr, sqliteFull, sqliteCantOpen)
	}
	return lostConnection(err)
}

// awayState is true for classes and states of
// https://www.postgresql.org/docs/current/errcodes-appendix.html: connection
// exceptions, insufficient resources, operator intervention without
// query_canceled, system errors, and the states that ask to repeat.
func awayState(state string) bool {
	switch state {
	case "40001", "40P01":
		return true
	case "57014": // query_canceled: a time limit of the server's
		return false
	}
	switch state[:min(2, len(state))] {
	case "08", "53", "57", "58":
		return true
	}
	return false
}

func lostConnection(err error) bool {
	var connect *pgconn.ConnectError
	var network *net.OpError
	return errors.As(err, &connect) || errors.As(err, &network) ||
		errors.Is(err, driver.ErrBadConn) || errors.Is(err, sql.ErrConnDone) ||
		errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, net.ErrClosed) ||
		// database/sql and pgconn keep these to themselves.
		strings.HasSuffix(err.Error(), "sql: database is closed") || strings.HasSuffix(err.Error(), "conn closed")
}

// AsFault turns a driver's error that says the store is away into UNAVAILABLE
// with the error as its private cause. Any other error stays as it is.
func AsFault(err error) error {
	var known *fault.Error
	if err == nil || errors.As(err, &known) || !IsUnavailable(err) {
		return err
	}
	return fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE,
		"the store does not take the call at the moment; repeat it with the same request id").WithCause(err)
}

func errClosed() error {
	return fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE,
		"the store is closed; repeat the call with the same request id once the service is back")
}

// repeatable reports whether PostgreSQL asks to run the transaction again: a
// serialization failure, a deadlock, or a statement whose plan a migration of
// another replica has changed.
func repeatable(err error) bool {
	if hasState(err, "40001") || hasState(err, "40P01") {
		return true
	}
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == "0A000" && strings.Contains(pg.Message, "cached plan")
}

func hasState(err error, state string) bool {
	var pg *pgconn.PgError
	return errors.As(err, &pg) && pg.Code == state
}

func hasCode(err error, codes ...int) bool {
	var lite *sqlite.Error
	if !errors.As(err, &lite) {
		return false
	}
	for _, code := range codes {
		if lite.Code() == code {
			return true
		}
	}
	return false
}

func hasPrimary(code int, primaries ...int) bool {
	for _, primary := range primaries {
		if code&0xff == primary {
			return true
		}
	}
	return false
}
