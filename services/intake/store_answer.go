package intake

import (
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/db"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// keepAnswer writes an order as it is read. Reading one order is what people do
// most; put together from four tables it costs several times the RPC around it.
func keepAnswer(tx *db.Tx, wo *intakev1.WorkOrder) error {
	data, err := proto.Marshal(wo)
	if err != nil {
		return fmt.Errorf("keep order %s: %w", wo.Number, err)
	}
	_, err = tx.Exec(`INSERT INTO work_order_answer (work_order_id, answer) VALUES ($1, $2)
		ON CONFLICT (work_order_id) DO UPDATE SET answer = excluded.answer`, wo.WorkOrderId, data)
	if err != nil {
		return fmt.Errorf("keep order %s: %w", wo.Number, err)
	}
	return nil
}

// readAnswer gives an order as it was kept, by id or number; nil when it was not.
func readAnswer(q db.Querier, idOrNumber string) (*intakev1.WorkOrder, error) {
	text := `SELECT answer FROM work_order_answer WHERE work_order_id = $1`
	if len(idOrNumber) != uuidLength {
		text = `SELECT a.answer FROM work_order_answer a JOIN work_order o ON o.work_order_id = a.work_order_id WHERE o.number = $1`
	}
	var data []byte
	err := q.QueryRow(text, idOrNumber).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read order: %w", err)
	}
	var wo intakev1.WorkOrder
	if err := proto.Unmarshal(data, &wo); err != nil {
		return nil, fmt.Errorf("read order: %w", err)
	}
	return &wo, nil
}
