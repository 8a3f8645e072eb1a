package db_test

import (
	"errors"
	"testing"

	"spindlewright/pkg/db"
)

func TestWriteThenRead(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		write(t, store, put("a", 3))
		write(t, store, put("a", 4))
		if got := items(t, store, "a"); got != 7 {
			t.Errorf("got %d items, want 7", got)
		}
	})
}

func TestErrorUndoesTheJob(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		mine := errors.New("mine")
		err := store.Write(t.Context(), func(tx *db.Tx) error {
			if err := put("a", 1)(tx); err != nil {
				return err
			}
			return mine
		})
		if err != mine {
			t.Errorf("got %v, want the job's own error as it is", err)
		}
		if got := items(t, store, "a"); got != -1 {
			t.Errorf("the shelf stayed, with %d items", got)
		}
	})
}
