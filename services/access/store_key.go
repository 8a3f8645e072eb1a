package access

import (
	"database/sql"

	"spindlewright/pkg/db"
)

// keyRow is a row of the signing_key table.
type keyRow struct {
	id     string
	public []byte
	// dropAfter is when it stops verifying; 0 while it signs.
	dropAfter int64
}

// listKeys gives keys newest first. Those entered within one microsecond come
// in the order of their ids, the same for every replica.
func listKeys(q db.Querier) ([]keyRow, error) {
	rows, err := q.Query(`SELECT key_id, public, drop_after_us FROM signing_key ORDER BY since_us DESC, key_id`)
	return collect(rows, err, func(row interface{ Scan(...any) error }) (k keyRow, err error) {
		err = row.Scan(&k.id, &k.public, &k.dropAfter)
		return k, err
	})
}

// insertKey enters a key as the newest, also when the clock stands still.
func insertKey(tx *db.Tx, id string, public []byte, now int64) error {
	var newest sql.NullInt64
	if err := tx.QueryRow(`SELECT max(since_us) FROM signing_key`).Scan(&newest); err != nil {
		return wrap("read signing keys", err)
	}
	_, err := tx.Exec(`INSERT INTO signing_key (key_id, public, since_us, drop_after_us) VALUES ($1, $2, $3, 0)`,
		id, public, max(now, newest.Int64+1))
	return wrap("enter a signing key", err)
}

func retireKeys(tx *db.Tx, dropAfter int64) error {
	_, err := tx.Exec(`UPDATE signing_key SET drop_after_us = $1 WHERE drop_after_us = 0`, dropAfter)
	return wrap("retire signing keys", err)
}

func dropKeys(tx *db.Tx, now int64) error {
	_, err := tx.Exec(`DELETE FROM signing_key WHERE drop_after_us <> 0 AND drop_after_us <= $1`, now)
	return wrap("drop signing keys", err)
}
