package intake

import (
	"database/sql"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// shop is what this service knows of a shop.
type shop struct {
	id, code string
	zone     *time.Location
	fourEyes bool
}

func keepShop(tx *db.Tx, m *accessv1.ShopRecorded, revision int64) error {
	_, err := tx.Exec(`INSERT INTO shop (shop_id, code, time_zone, four_eyes, revision) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (shop_id) DO UPDATE SET code = excluded.code, time_zone = excluded.time_zone,
			four_eyes = excluded.four_eyes, revision = excluded.revision
		WHERE shop.revision < excluded.revision`, m.ShopId, m.Code, m.TimeZone, m.FourEyes, revision)
	if err != nil {
		return fmt.Errorf("keep shop %s: %w", m.ShopId, err)
	}
	return nil
}

// readShop gives a shop. One that is not known here was opened a moment ago, or
// does not exist; the caller's token says which, so asking again is right.
func readShop(q db.Querier, id, suffix string) (shop, error) {
	s := shop{id: id}
	var zone string
	err := q.QueryRow(`SELECT code, time_zone, four_eyes FROM shop WHERE shop_id = $1`+suffix, id).Scan(&s.code, &zone, &s.fourEyes)
	if errors.Is(err, sql.ErrNoRows) {
		return s, fault.Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE,
			"shop %s has not become known here yet; try again in a moment", cutText(id))
	}
	if err != nil {
		return s, fmt.Errorf("read shop: %w", err)
	}
	if s.zone, err = time.LoadLocation(zone); err != nil {
		return s, fmt.Errorf("zone of shop %s: %w", id, err)
	}
	return s, nil
}

// year is the calendar year of a time in the shop's zone.
func (s shop) year(us int64) int64 { return int64(time.UnixMicro(us).In(s.zone).Year()) }
