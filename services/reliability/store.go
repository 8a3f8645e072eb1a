package reliability

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"spindlewright/pkg/db"
)

//go:embed migrations
var migrationFiles embed.FS

// Migrations creates the tables of reliability.
var Migrations = db.Migrations{Name: Name, Files: migrationsRoot()}

func migrationsRoot() fs.FS {
	root, err := fs.Sub(migrationFiles, "migrations")
	if err != nil {
		panic(err) // only for a path that is not valid, and this one is fixed
	}
	return root
}

// keptVersions is how many versions of the change log stay. Who is further
// behind loads everything.
const keptVersions = 1000

// chunk bounds the rows of one statement. The SQLite driver looks each
// parameter up by walking a list, so that the time of a statement grows with
// the square of their number: 500 rows took longer than 10 times 50.
const chunk = 50

// state is where the derived rows stand.
type state struct {
	generation, version, nextOrdinal int64
}

// nextVersion takes the next version and locks the row of state.
func nextVersion(tx *db.Tx) (st state, err error) {
	err = tx.QueryRow(`UPDATE reliability_state SET version = version + 1 WHERE id = 1 RETURNING generation, version, next_ordinal`).
		Scan(&st.generation, &st.version, &st.nextOrdinal)
	if err != nil {
		return state{}, fmt.Errorf("take the next version: %w", err)
	}
	return st, nil
}

func readState(q db.Querier) (st state, err error) {
	err = q.QueryRow(`SELECT generation, version, next_ordinal FROM reliability_state WHERE id = 1`).
		Scan(&st.generation, &st.version, &st.nextOrdinal)
	if err != nil {
		return state{}, fmt.Errorf("read the version: %w", err)
	}
	return st, nil
}

// spindleRow is a spindle as it is stored.
type spindleRow struct {
	ordinal    int64
	id, serial string
	facts      []byte
}

// loadSpindles reads the spindles that exist among ids.
func loadSpindles(q db.Querier, ids []string) (map[string]spindleRow, error) {
	out := make(map[string]spindleRow, len(ids))
	err := inChunks(ids, func(part []string) error {
		rows, err := q.Query(`SELECT ordinal, spindle_id, serial, facts FROM spindle WHERE spindle_id IN `+
			db.Placeholders(1, len(part), 1), anys(part)...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var r spindleRow
			if err := rows.Scan(&r.ordinal, &r.id, &r.serial, &r.facts); err != nil {
				return err
			}
			out[r.id] = r
		}
		return rows.Err()
	})
	if err != nil {
		return nil, fmt.Errorf("read spindles: %w", err)
	}
	return out, nil
}

func storeSpindles(tx *db.Tx, changed []spindleRow) error {
	err := inChunks(changed, func(part []spindleRow) error {
		args := make([]any, 0, 4*len(part))
		for i := range part {
			args = append(args, part[i].ordinal, part[i].id, part[i].serial, part[i].facts)
		}
		_, err := tx.Exec(`INSERT INTO spindle (ordinal, spindle_id, serial, facts) VALUES `+db.Placeholders(len(part), 4, 1)+
			` ON CONFLICT (ordinal) DO UPDATE SET serial = excluded.serial, facts = excluded.facts`, args...)
		return err
	})
	if err != nil {
		return fmt.Errorf("store spindles: %w", err)
	}
	return nil
}

func storeOrders(tx *db.Tx, orders map[string]string) error {
	err := inChunks(slices.Sorted(maps.Keys(orders)), func(part []string) error {
		args := make([]any, 0, 2*len(part))
		for _, id := range part {
			args = append(args, id, orders[id])
		}
		_, err := tx.Exec(`INSERT INTO work_order (work_order_id, spindle_id) VALUES `+db.Placeholders(len(part), 2, 1)+
			` ON CONFLICT (work_order_id) DO NOTHING`, args...)
		return err
	})
	if err != nil {
		return fmt.Errorf("store orders: %w", err)
	}
	return nil
}

// noteChange writes the change log's line of this version, and drops the line
// that is too old now.
func noteChange(tx *db.Tx, st state, changed []spindleRow) error {
	ordinals := make([]int64, len(changed))
	for i := range changed {
		ordinals[i] = changed[i].ordinal
	}
	slices.Sort(ordinals)
	if _, err := tx.Exec(`INSERT INTO change (version, ordinals) VALUES ($1, $2)`, st.version, packOrdinals(ordinals)); err != nil {
		return fmt.Errorf("note the change: %w", err)
	}
	if _, err := tx.Exec(`DELETE FROM change WHERE version <= $1`, st.version-keptVersions); err != nil {
		return fmt.Errorf("drop old changes: %w", err)
	}
	if _, err := tx.Exec(`UPDATE reliability_state SET next_ordinal = $1 WHERE id = 1`, st.nextOrdinal); err != nil {
		return fmt.Errorf("note the next place: %w", err)
	}
	return nil
}

// dropAll starts a new generation with nothing in it.
func dropAll(tx *db.Tx) error {
	for _, statement := range []string{
		`UPDATE reliability_state SET generation = generation + 1, version = version + 1, next_ordinal = 0 WHERE id = 1`,
		`DELETE FROM change`, `DELETE FROM spindle`, `DELETE FROM work_order`, `DELETE FROM dictionary`,
	} {
		if _, err := tx.Exec(statement); err != nil {
			return fmt.Errorf("drop what was derived: %w", err)
		}
	}
	return nil
}

// changesSince gives the places that changed after a version; false when the
// log does not reach back that far.
func changesSince(q db.Querier, after int64, st state) (ordinals []int64, reaches bool, err error) {
	rows, err := q.Query(`SELECT version, ordinals FROM change WHERE version > $1 ORDER BY version`, after)
	if err != nil {
		return nil, false, fmt.Errorf("read changes: %w", err)
	}
	defer rows.Close()
	found := int64(0)
	for rows.Next() {
		var version int64
		var packed []byte
		if err := rows.Scan(&version, &packed); err != nil {
			return nil, false, fmt.Errorf("read changes: %w", err)
		}
		found++
		if err := unpackOrdinals(packed, func(o int64) { ordinals = append(ordinals, o) }); err != nil {
			return nil, false, err
		}
	}
	slices.Sort(ordinals)
	return slices.Compact(ordinals), found == st.version-after, rows.Err()
}

// readFacts gives the packed facts of the spindles at the given places, or of
// all when ordinals is nil, in rising order. The bytes are valid in each only.
func readFacts(q db.Querier, ordinals []int64, each func(ordinal int64, packed []byte) error) error {
	if ordinals == nil {
		return readFactsOf(q, `SELECT ordinal, facts FROM spindle ORDER BY ordinal`, nil, each)
	}
	return inChunks(ordinals, func(part []int64) error {
		query := `SELECT ordinal, facts FROM spindle WHERE ordinal IN ` + db.Placeholders(1, len(part), 1) + ` ORDER BY ordinal`
		return readFactsOf(q, query, anys(part), each)
	})
}

func readFactsOf(q db.Querier, query string, args []any, each func(int64, []byte) error) error {
	rows, err := q.Query(query, args...)
	if err != nil {
		return fmt.Errorf("read histories: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var ordinal int64
		var packed []byte
		if err := rows.Scan(&ordinal, &packed); err != nil {
			return fmt.Errorf("read histories: %w", err)
		}
		if err := each(ordinal, packed); err != nil {
			return err
		}
	}
	return rows.Err()
}

// spindlesOf gives the places of spindles, and of the spindles of orders, among
// ids of entities.
func spindlesOf(q db.Querier, entities []string) (ordinals []int64, err error) {
	err = inChunks(entities, func(part []string) error {
		in := db.Placeholders(1, len(part), 1)
		rows, err := q.Query(`SELECT ordinal FROM spindle WHERE spindle_id IN `+in+
			` OR spindle_id IN (SELECT spindle_id FROM work_order WHERE work_order_id IN `+in+`) ORDER BY ordinal`, anys(part)...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var o int64
			if err := rows.Scan(&o); err != nil {
				return err
			}
			ordinals = append(ordinals, o)
		}
		return rows.Err()
	})
	if err != nil {
		return nil, fmt.Errorf("find spindles of entities: %w", err)
	}
	return ordinals, nil
}

// inChunks gives a list in parts that fit one statement.
func inChunks[T any](list []T, each func([]T) error) error {
	for part := range slices.Chunk(list, chunk) {
		if err := each(part); err != nil {
			return err
		}
	}
	return nil
}

// anys are arguments of a statement.
func anys[T any](parts []T) []any {
	out := make([]any, len(parts))
	for i := range parts {
		out[i] = parts[i]
	}
	return out
}

// unplaced counts the entities that are neither spindles nor orders on record.
func unplaced(q db.Querier, entities []string) (n int, err error) {
	n = len(entities)
	err = inChunks(entities, func(part []string) error {
		in := db.Placeholders(1, len(part), 1)
		var placed int
		if err := q.QueryRow(`SELECT (SELECT count(*) FROM spindle WHERE spindle_id IN `+in+`)
			+ (SELECT count(*) FROM work_order WHERE work_order_id IN `+in+`)`, anys(part)...).Scan(&placed); err != nil {
			return fmt.Errorf("count entities: %w", err)
		}
		n -= placed
		return nil
	})
	return n, err
}
