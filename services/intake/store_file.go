package intake

import (
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// file is a row of file.
type file struct {
	order, sha256, shop, name, media string
	size                             int64
	by                               string
	pending                          int64
	live                             bool
}

// swept stands in pending_us of a file whose blob is being deleted.
const swept = 0

// pendFile notes, before any byte is stored, that a file is coming. It holds
// the shop's row, as the sweeper does, so that the two never cross.
func pendFile(tx *db.Tx, f file) error {
	if _, err := readShop(tx, f.shop, tx.ForUpdate()); err != nil {
		return err
	}
	var going int
	err := tx.QueryRow(`SELECT count(*) FROM file WHERE shop_id = $1 AND sha256 = $2 AND pending_us = $3 AND NOT live`, f.shop, f.sha256, swept).Scan(&going)
	if err != nil {
		return fmt.Errorf("read files: %w", err)
	}
	if going > 0 {
		return fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "an old copy of the file is being removed; send it again in a moment")
	}
	_, err = tx.Exec(`INSERT INTO file (work_order_id, sha256, shop_id, name, media_type, size_bytes, uploaded_by, pending_us, stored, live)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, FALSE, FALSE)
		ON CONFLICT (work_order_id, sha256) DO UPDATE SET pending_us = excluded.pending_us WHERE NOT file.live`,
		f.order, f.sha256, f.shop, f.name, f.media, f.size, f.by, f.pending)
	if err != nil {
		return fmt.Errorf("note file: %w", err)
	}
	return nil
}

// fileStored notes that the bytes are durable.
func fileStored(tx *db.Tx, orderID, sha256 string) error {
	res, err := tx.Exec(`UPDATE file SET stored = TRUE WHERE work_order_id = $1 AND sha256 = $2`, orderID, sha256)
	if err != nil {
		return fmt.Errorf("note stored file: %w", err)
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return first(err, fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "the upload took too long and was given up; send the file again"))
	}
	return nil
}

// enliven makes a stored file part of the order; false when there is none.
func enliven(tx *db.Tx, orderID, sha256 string) (bool, error) {
	res, err := tx.Exec(`UPDATE file SET live = TRUE WHERE work_order_id = $1 AND sha256 = $2 AND stored`, orderID, sha256)
	if err != nil {
		return false, fmt.Errorf("take file: %w", err)
	}
	n, err := res.RowsAffected()
	return n == 1, err
}

// readFile gives a stored file of an order, nil when there is none.
func readFile(q db.Querier, orderID, sha256 string) (*file, error) {
	f := file{order: orderID, sha256: sha256}
	err := q.QueryRow(`SELECT shop_id, name, media_type, size_bytes, live FROM file WHERE work_order_id = $1 AND sha256 = $2 AND stored`, orderID, sha256).
		Scan(&f.shop, &f.name, &f.media, &f.size, &f.live)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read file: %w", err)
	}
	return &f, nil
}

// abandoned lists files that stayed pending since before a time.
func abandoned(q db.Querier, before int64, limit int) ([]file, error) {
	rows, err := q.Query(`SELECT work_order_id, sha256, shop_id FROM file WHERE NOT live AND pending_us < $1 ORDER BY pending_us LIMIT $2`, before, limit)
	return collect(rows, err, "list abandoned files", func(r *sql.Rows) (f file, err error) {
		err = r.Scan(&f.order, &f.sha256, &f.shop)
		return f, err
	})
}

// condemn forgets an abandoned file. alone says that no other file has the same
// bytes: the row then stays, marked, until the blob is gone.
func condemn(tx *db.Tx, f file, before int64) (alone bool, err error) {
	if _, err := readShop(tx, f.shop, tx.ForUpdate()); err != nil {
		return false, err
	}
	var others int
	err = tx.QueryRow(`SELECT count(*) FROM file WHERE shop_id = $1 AND sha256 = $2 AND work_order_id <> $3`, f.shop, f.sha256, f.order).Scan(&others)
	if err != nil {
		return false, fmt.Errorf("read files: %w", err)
	}
	if others > 0 {
		return false, forget(tx, f, before)
	}
	res, err := tx.Exec(`UPDATE file SET pending_us = $3, stored = FALSE WHERE work_order_id = $1 AND sha256 = $2 AND NOT live AND pending_us < $4`,
		f.order, f.sha256, swept, before)
	if err != nil {
		return false, fmt.Errorf("mark file: %w", err)
	}
	n, err := res.RowsAffected()
	return n == 1, err
}

// forget drops the row of an abandoned file.
func forget(tx *db.Tx, f file, before int64) error {
	_, err := tx.Exec(`DELETE FROM file WHERE work_order_id = $1 AND sha256 = $2 AND NOT live AND pending_us < $3`, f.order, f.sha256, before)
	if err != nil {
		return fmt.Errorf("forget file: %w", err)
	}
	return nil
}
