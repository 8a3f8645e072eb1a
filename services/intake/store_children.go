package intake

import (
	"database/sql"
	"fmt"

	"spindlewright/pkg/db"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/units"
)

func readTags(q db.Querier, orderID string) ([]*intakev1.Tag, error) {
	rows, err := q.Query(`SELECT position, label, missing FROM tag WHERE work_order_id = $1 ORDER BY position`, orderID)
	return collect(rows, err, "read tags", func(r *sql.Rows) (*intakev1.Tag, error) {
		var t intakev1.Tag
		return &t, r.Scan(&t.Position, &t.Label, &t.Missing)
	})
}

func saveTags(tx *db.Tx, orderID string, tags []*intakev1.Tag) error {
	args := make([]any, 0, 4*len(tags))
	for _, t := range tags {
		args = append(args, orderID, t.Position, t.Label, t.Missing)
	}
	_, err := tx.Exec(`INSERT INTO tag (work_order_id, position, label, missing) VALUES `+db.Placeholders(len(tags), 4, 1)+`
		ON CONFLICT (work_order_id, position) DO UPDATE SET label = excluded.label, missing = excluded.missing`, args...)
	if err != nil {
		return fmt.Errorf("save tags: %w", err)
	}
	return nil
}

func readFindings(q db.Querier, orderID string) ([]*intakev1.Finding, error) {
	rows, err := q.Query(`SELECT finding_id, component, position, mode, mechanism, cause, role, severity, note, found_us, replaced_by
		FROM finding WHERE work_order_id = $1 ORDER BY nth`, orderID)
	return collect(rows, err, "read findings", func(r *sql.Rows) (*intakev1.Finding, error) {
		var f intakev1.Finding
		var found int64
		err := r.Scan(&f.FindingId, &f.Component, &f.Position, &f.Mode, &f.Mechanism, &f.Cause, &f.Role, &f.Severity, &f.Note, &found, &f.ReplacedBy)
		f.FoundAt = stamp(found)
		return &f, err
	})
}

// insertFinding adds a finding as the order's nth.
func insertFinding(tx *db.Tx, orderID string, nth int, f *intakev1.Finding, found int64) error {
	_, err := tx.Exec(`INSERT INTO finding (work_order_id, nth, finding_id, component, position, mode, mechanism, cause, role, severity, note,
		found_us, replaced_by) VALUES `+db.Placeholders(1, 13, 1),
		orderID, nth, f.FindingId, f.Component, f.Position, f.Mode, f.Mechanism, f.Cause, f.Role, f.Severity, f.Note, found, "")
	if err != nil {
		return fmt.Errorf("add finding: %w", err)
	}
	return nil
}

func replaceFinding(tx *db.Tx, orderID, findingID, by string) error {
	_, err := tx.Exec(`UPDATE finding SET replaced_by = $3 WHERE work_order_id = $1 AND finding_id = $2`, orderID, findingID, by)
	if err != nil {
		return fmt.Errorf("replace finding: %w", err)
	}
	return nil
}

func readEvidence(q db.Querier, orderID string) ([]*intakev1.Evidence, error) {
	rows, err := q.Query(`SELECT evidence_id, kind, visit, given_by, given_us, as_typed, unit, instrument, file_sha256, waived_because, note,
		voided_by, countersigned_by, failed FROM evidence WHERE work_order_id = $1 ORDER BY nth`, orderID)
	return collect(rows, err, "read evidence", scanEvidence)
}

func scanEvidence(r *sql.Rows) (*intakev1.Evidence, error) {
	var e intakev1.Evidence
	var at int64
	var typed, unit string
	err := r.Scan(&e.EvidenceId, &e.Kind, &e.Visit, &e.GivenBy, &at, &typed, &unit, &e.Instrument, &e.FileSha256, &e.WaivedBecause, &e.Note,
		&e.VoidedBy, &e.CountersignedBy, &e.Failed)
	if err != nil {
		return nil, err
	}
	e.GivenAt = stamp(at)
	if typed != "" {
		// What is derived is derived again from the digits, the truth.
		v, err := units.Parse(typed, unit)
		if err != nil {
			return nil, fmt.Errorf("value of evidence %s: %w", e.EvidenceId, err)
		}
		e.Value = v.Proto()
	}
	return &e, nil
}

func insertEvidence(tx *db.Tx, orderID string, nth int, e *intakev1.Evidence, at int64) error {
	_, err := tx.Exec(`INSERT INTO evidence (work_order_id, nth, evidence_id, kind, visit, given_by, given_us, as_typed, unit, instrument,
		file_sha256, waived_because, note, voided_by, countersigned_by, failed) VALUES `+db.Placeholders(1, 16, 1),
		orderID, nth, e.EvidenceId, e.Kind, e.Visit, e.GivenBy, at, e.Value.GetAsTyped(), e.Value.GetUnit(), e.Instrument,
		e.FileSha256, e.WaivedBecause, e.Note, "", "", e.Failed)
	if err != nil {
		return fmt.Errorf("add evidence: %w", err)
	}
	return nil
}

func voidEvidence(tx *db.Tx, orderID, by string, ids []string) error {
	for _, id := range ids {
		if _, err := tx.Exec(`UPDATE evidence SET voided_by = $3 WHERE work_order_id = $1 AND evidence_id = $2`, orderID, id, by); err != nil {
			return fmt.Errorf("void evidence: %w", err)
		}
	}
	return nil
}

func countersign(tx *db.Tx, orderID, evidenceID, by string) error {
	_, err := tx.Exec(`UPDATE evidence SET countersigned_by = $3 WHERE work_order_id = $1 AND evidence_id = $2`, orderID, evidenceID, by)
	if err != nil {
		return fmt.Errorf("countersign evidence: %w", err)
	}
	return nil
}
