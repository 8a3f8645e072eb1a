package db_test

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"

	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
	"spindlewright/pkg/rig"
)

// TestKillLosesNothing kills a process that writes from several goroutines, at
// the commit or right behind it, and reopens its store: each answered write is
// there, and each write is there whole or not at all.
func TestKillLosesNothing(t *testing.T) {
	if os.Getenv("DB_TEST_CHILD") != "" {
		writeUntilKilled(t)
		return
	}
	for _, spec := range []string{
		"db.before-commit=kill:0", "db.before-commit=kill:37", "db.after-commit=kill:0",
		"db.after-commit=kill:11", "db.after-commit=kill:60",
	} {
		t.Run(spec, func(t *testing.T) {
			rig.EachEngine(t, func(t *testing.T, url string) {
				folder := t.TempDir()
				answered := killedWriter(t, spec, folder, url)
				store := open(t, url, func(c *db.Config) { c.Folder = folder })
				for _, n := range answered {
					if items(t, store, fmt.Sprintf("left %d", n)) == -1 {
						t.Errorf("write %d was answered and is gone", n)
					}
				}
				var left, right int
				err := store.Reader(t.Context()).QueryRow(`SELECT count(*) FILTER (WHERE name LIKE 'left %'),
					count(*) FILTER (WHERE name LIKE 'right %') FROM shelf`).Scan(&left, &right)
				if err != nil {
					t.Fatal(err)
				}
				if left != right || left < len(answered) {
					t.Errorf("%d left and %d right halves of writes, %d were answered", left, right, len(answered))
				}
				t.Logf("%d answered, %d kept", len(answered), left)
				write(t, store, put("a", 1))
			})
		})
	}
}

// killedWriter gives the numbers of the writes that the child was answered.
func killedWriter(t *testing.T, spec, folder, url string) (answered []int) {
	t.Helper()
	child := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestKillLosesNothing$")
	child.Env = append(os.Environ(), "DB_TEST_CHILD="+folder, "DB_TEST_URL="+url, failpoint.Variable+"="+spec)
	out, err := child.Output()
	if err == nil || !strings.Contains(err.Error(), "killed") {
		t.Fatalf("the child ended with %v, want a kill: %s", err, out)
	}
	for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
		n, err := strconv.Atoi(lines.Text())
		if err != nil {
			t.Fatal(err)
		}
		answered = append(answered, n)
	}
	return answered
}

func writeUntilKilled(t *testing.T) {
	store := open(t, os.Getenv("DB_TEST_URL"), func(c *db.Config) { c.Folder = os.Getenv("DB_TEST_CHILD") })
	if _, err := failpoint.FromEnv(os.LookupEnv); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for caller := range 8 {
		all.Go(func() {
			for i := range 10_000 {
				n := caller*10_000 + i
				err := store.Write(t.Context(), func(tx *db.Tx) error {
					if err := put(fmt.Sprintf("left %d", n), 1)(tx); err != nil {
						return err
					}
					return put(fmt.Sprintf("right %d", n), 1)(tx)
				})
				if err != nil {
					t.Error(err)
					return
				}
				fmt.Printf("%d\n", n) // one write each: whole lines or nothing
			}
		})
	}
	all.Wait()
}
