package intake

import (
	"time"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// shopFollower keeps the shops that access records: code and zone for human
// numbers, and whether a second person has to sign.
type shopFollower struct{}

func (shopFollower) Entities() map[string][]string { return map[string][]string{"access": {"shop"}} }

// Apply keeps the newest revision of each shop, whatever the order of arrival.
func (shopFollower) Apply(tx *db.Tx, batch []events.Event) (map[int]string, error) {
	park := map[int]string{}
	for i, e := range batch {
		m, err := events.Decode(e)
		if err != nil {
			return nil, err
		}
		shop, ok := m.(*accessv1.ShopRecorded)
		if !ok {
			continue
		}
		if _, err := time.LoadLocation(shop.TimeZone); err != nil {
			park[i] = "time zone " + shop.TimeZone + " is not known on this machine"
			continue
		}
		if err := keepShop(tx, shop, e.Revision); err != nil {
			return nil, err
		}
	}
	return park, nil
}

// Reset drops the derived shops.
func (shopFollower) Reset(tx *db.Tx) error {
	_, err := tx.Exec(`DELETE FROM shop`)
	return err
}
