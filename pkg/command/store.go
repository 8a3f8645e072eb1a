package command

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"io/fs"
	"time"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

//go:embed migrations/*.sql
var files embed.FS

// Migrations creates the table of kept answers.
var Migrations = db.Migrations{Name: "command", Files: subFolder(files, "migrations")}

func subFolder(files fs.FS, name string) fs.FS {
	sub, err := fs.Sub(files, name)
	if err != nil {
		panic(err) // only a name that is no path does this
	}
	return sub
}

const (
	// Keep is how long an answer is kept.
	Keep = 7 * 24 * time.Hour
	// sweepChunk rows are removed in one transaction, so that commands pass
	// between the chunks.
	sweepChunk = 500
)

// claim notes the call; false when it is there already. On PostgreSQL it waits
// while another replica runs the same call.
func claim(tx *db.Tx, k key, h hash, at time.Time) (bool, error) {
	res, err := tx.Exec(`INSERT INTO request (tenant, principal, method, request_id, body_hash, at)
		VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING`,
		k.tenant, k.principal, k.method, k.requestID, h[:], clock.Micros(at))
	if err != nil {
		return false, fmt.Errorf("note the request: %w", err)
	}
	n, err := res.RowsAffected()
	return n == 1, err
}

// find gives the answer of an earlier call with the same body.
func find(tx *db.Tx, k key, h hash) (answer kept, err error) {
	var was []byte
	err = tx.QueryRow(`SELECT body_hash, answer_type, answer FROM request
		WHERE tenant = $1 AND principal = $2 AND method = $3 AND request_id = $4`,
		k.tenant, k.principal, k.method, k.requestID).Scan(&was, &answer.kind, &answer.data)
	if err != nil {
		return kept{}, fmt.Errorf("find the kept answer: %w", err)
	}
	if !bytes.Equal(was, h[:]) {
		return kept{}, errReused(k)
	}
	return answer, nil
}

// keep stores the answer of a call that succeeds with its transaction.
func keep(tx *db.Tx, k key, answer kept) error {
	_, err := tx.Exec(`UPDATE request SET answer_type = $5, answer = $6
		WHERE tenant = $1 AND principal = $2 AND method = $3 AND request_id = $4`,
		k.tenant, k.principal, k.method, k.requestID, answer.kind, answer.data)
	if err != nil {
		return fmt.Errorf("keep the answer: %w", err)
	}
	return nil
}

// Sweep removes answers older than Keep, a chunk at a time, and says how many.
func (r *Runner) Sweep(ctx context.Context) (removed int64, err error) {
	before := clock.Micros(r.Clock.Now().Add(-Keep))
	for {
		var n int64
		err := r.Store.Write(ctx, func(tx *db.Tx) error {
			res, err := tx.Exec(`DELETE FROM request WHERE (tenant, principal, method, request_id) IN (
				SELECT tenant, principal, method, request_id FROM request WHERE at < $1 ORDER BY at LIMIT $2)`,
				before, sweepChunk)
			if err != nil {
				return fmt.Errorf("remove old answers: %w", err)
			}
			n, err = res.RowsAffected()
			return err
		})
		if err != nil {
			return removed, err
		}
		removed += n
		if n < sweepChunk {
			return removed, nil
		}
	}
}
