package deploy

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/metadata"

	"spindlewright/pkg/blob"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/pkg/rig"
	"spindlewright/services/run"
)

// network is a running installation and its first operator.
type network struct {
	t        *testing.T
	site     *run.Site
	data     string
	operator context.Context
}

func begin(t *testing.T, data, sqlURL string) *network {
	t.Helper()
	c := run.ForTest(data)
	c.Settings.SQLURL = sqlURL
	site, err := run.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	n := &network{t: t, site: site, data: data}
	t.Cleanup(n.end)
	token := strings.TrimSpace(read(t, site.OperatorTokenFile()))
	n.operator = metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
	return n
}

func (n *network) end() {
	if n.site == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	if err := n.site.Close(ctx); err != nil {
		n.t.Errorf("stop: %v", err)
	}
	n.site = nil
}

func (n *network) access() accessv1.AccessServiceClient {
	cc, err := n.site.Dial("access")
	if err != nil {
		n.t.Fatal(err)
	}
	n.t.Cleanup(func() { _ = cc.Close() })
	return accessv1.NewAccessServiceClient(cc)
}

func (n *network) upkeep() upkeepv1.UpkeepServiceClient {
	cc, err := n.site.Dial("access")
	if err != nil {
		n.t.Fatal(err)
	}
	n.t.Cleanup(func() { _ = cc.Close() })
	return upkeepv1.NewUpkeepServiceClient(cc)
}

func (n *network) open(code string) {
	n.t.Helper()
	_, err := n.access().CreateShop(n.operator, &accessv1.CreateShopRequest{RequestId: uuid.NewString(),
		Shop: &accessv1.Shop{Code: code, DisplayName: "Shop " + code, TimeZone: "Europe/London"}})
	if err != nil {
		n.t.Fatal(err)
	}
}

func (n *network) shops() []string {
	n.t.Helper()
	got, err := n.access().ListShops(n.operator, &accessv1.ListShopsRequest{PageSize: 100})
	if err != nil {
		n.t.Fatal(err)
	}
	var codes []string
	for _, s := range got.Shops {
		codes = append(codes, s.Code)
	}
	slices.Sort(codes)
	return codes
}

// applied waits until a follower has applied all that access has published.
func (n *network) applied(follower string, events, epoch int64) {
	n.t.Helper()
	rig.Until(n.t, limit, func() string {
		state, err := n.upkeep().GetState(n.operator, &upkeepv1.GetStateRequest{})
		if err != nil {
			return err.Error()
		}
		for _, s := range state.Services {
			if s.Service == follower && s.Applied["access"] != events {
				return fmt.Sprintf("%s has applied %d events of access, want %d", follower, s.Applied["access"], events)
			}
			if s.Service == "access" && s.Epoch != epoch {
				return fmt.Sprintf("access is in epoch %d, want %d", s.Epoch, epoch)
			}
		}
		return ""
	})
}

// TestABackupRestores follows backup.md: what was there when the backup was
// taken is there again, what came later is gone, also from the followers, and
// work goes on.
func TestABackupRestores(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, sqlURL string) {
		photograph := []byte("front bearing, as found")
		n := begin(t, filepath.Join(t.TempDir(), "data"), sqlURL)
		n.open("RIV")
		keep(t, n.data, photograph)
		backup := filepath.Join(t.TempDir(), "backup")
		takeBackup(t, n.data, backup, sqlURL)
		n.open("HLT")
		n.applied("reliability", 3, 1) // the first operator and two shops
		n.end()

		restored := filepath.Join(t.TempDir(), "data")
		again := begin(t, restored, restore(t, backup, restored, sqlURL))
		for _, source := range []string{"access", "intake"} {
			if _, err := again.upkeep().BeginEpoch(again.operator, &upkeepv1.BeginEpochRequest{Service: source, Reason: "restored a backup"}); err != nil {
				t.Fatal(err)
			}
		}
		for _, follower := range []string{"intake", "reliability"} {
			if _, err := again.upkeep().Replay(again.operator, &upkeepv1.ReplayRequest{Service: follower}); err != nil {
				t.Fatalf("replay %s: %v", follower, err)
			}
		}
		if got := again.shops(); !slices.Equal(got, []string{"RIV"}) {
			t.Errorf("shops after the restore: %v, want the one of before the backup", got)
		}
		again.open("QUA")
		for _, follower := range []string{"intake", "reliability"} {
			again.applied(follower, 3, 2)
		}
		if got := kept(t, restored, photograph); !bytes.Equal(got, photograph) {
			t.Errorf("the photograph came back as %q", got)
		}
	})
}

func takeBackup(t *testing.T, data, out, sqlURL string) {
	t.Helper()
	rig.Tool(t, "sqlite3", "sqlite3")
	rig.Tool(t, "pg_dump", "postgresql-client")
	cmd := exec.Command("./backup.sh", data, out)
	if sqlURL != "" {
		cmd.Env = append(os.Environ(), "SPINDLEWRIGHT_SQL_URL="+sqlURL)
	}
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("backup: %v\n%s", err, text)
	}
	if info, err := os.Stat(out); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("others may read the backup, which holds keys: %v, %v", info.Mode(), err)
	}
	if _, err := os.Stat(filepath.Join(out, "bus")); err == nil {
		t.Error("the backup holds streams")
	}
}

// restore puts a backup into a new folder, and into an empty database when it
// has a dump, whose URL it gives.
func restore(t *testing.T, backup, data, sqlURL string) string {
	t.Helper()
	if out, err := exec.Command("cp", "-a", backup, data).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if sqlURL == "" {
		return ""
	}
	sqlURL = rig.PostgreSQL(t)
	dump := filepath.Join(data, "spindlewright.dump")
	if out, err := exec.Command("pg_restore", "--no-owner", "--exit-on-error", "--dbname", sqlURL, dump).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return sqlURL
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func files(t *testing.T, data string) *blob.Store {
	t.Helper()
	s, err := blob.Open(t.Context(), filepath.Join(data, "intake", "files"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// keep puts a file where intake keeps its own.
func keep(t *testing.T, data string, b []byte) {
	t.Helper()
	if err := files(t, data).Put(t.Context(), "network", digest(b), int64(len(b)), bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
}

func kept(t *testing.T, data string, b []byte) []byte {
	t.Helper()
	r, err := files(t, data).Get(t.Context(), "network", digest(b))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	var got bytes.Buffer
	if _, err := got.ReadFrom(r); err != nil {
		t.Fatal(err)
	}
	return got.Bytes()
}

func TestBackupRefusesWhatItCannotBackUp(t *testing.T) {
	full, empty := t.TempDir(), t.TempDir()
	for _, c := range []struct{ name, data, out, want string }{
		{"a folder that exists already", full, empty, "exists; give a folder that does not"},
		{"no data folder", filepath.Join(empty, "gone"), filepath.Join(empty, "a"), "is no folder"},
		{"nothing to back up", full, filepath.Join(empty, "b"), "no SQLite store below"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, err := exec.Command("./backup.sh", c.data, c.out).CombinedOutput()
			if err == nil || !strings.Contains(string(out), c.want) {
				t.Errorf("got %v, %q, want it to say %q", err, out, c.want)
			}
		})
	}
	if left, err := os.ReadDir(empty); err != nil || len(left) != 0 {
		t.Errorf("refusals left %v, %v", left, err)
	}
}
