package access

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

func TestTokenIsShownOnce(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		riv := x.shop("RIV").ShopId
		p := x.person(riv, "", technician, quality)
		req := &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId, LifetimeSeconds: 3600}
		first := must[*accessv1.IssueTokenResponse](t)(x.IssueToken(as(riv, lead), req))
		who := must[access.Principal](t)(x.guard.Verify(context.Background(), first.Token))
		if who.ID != p.PersonId || who.ShopID != riv || access.RoleNames(who.Roles) != "technician, quality" ||
			who.TokenID != first.TokenId || !who.ExpiresAt.Equal(start.Add(time.Hour)) || !who.ExpiresAt.Equal(first.ExpiresAt.AsTime()) {
			t.Errorf("the token says %+v", who)
		}
		me := must[*accessv1.WhoAmIResponse](t)(x.WhoAmI(access.With(context.Background(), who), &accessv1.WhoAmIRequest{}))
		if me.PersonId != p.PersonId || me.ShopId != riv || !me.ExpiresAt.AsTime().Equal(who.ExpiresAt) {
			t.Errorf("who am I: %v", me)
		}
		again := must[*accessv1.IssueTokenResponse](t)(x.IssueToken(as(riv, lead), req))
		want := proto.CloneOf(first)
		want.Token = ""
		if !proto.Equal(again, want) {
			t.Errorf("the repeat gives %v, want %v", again, want)
		}
		req = &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId}
		var shown sync.Map
		var all sync.WaitGroup
		for i := range 10 {
			all.Go(func() {
				got, err := x.IssueToken(asOperator(), req)
				if err != nil {
					t.Error(err)
				} else if got.Token != "" {
					shown.Store(i, true)
				}
			})
		}
		all.Wait()
		n := 0
		shown.Range(func(any, any) bool { n++; return true })
		if n != 1 {
			t.Errorf("of ten equal calls at once %d showed the token", n)
		}
	})
}

func TestTokenLifetimes(t *testing.T) {
	x := open(t, "", t.TempDir())
	person, machine := x.person("", "", engineer), x.person("", "c1", integrator)
	for _, c := range []struct {
		name    string
		who     *accessv1.Person
		seconds int64
		want    time.Duration // 0: refused
	}{
		{"none given", person, 0, 8 * time.Hour},
		{"shortest", person, 60, time.Minute},
		{"too short", person, 59, 0},
		{"negative", person, -1, 0},
		{"a day", person, 86400, 24 * time.Hour},
		{"more than a day", person, 86401, 0},
		{"integrator, 90 days", machine, 7776000, access.MaxLifetime},
		{"integrator, more", machine, 7776001, 0},
		{"overflow", machine, 1 << 62, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: c.who.PersonId, LifetimeSeconds: c.seconds})
			if c.want == 0 {
				refusal(t, err, badField, "lifetime_seconds")
				return
			}
			if err != nil || !got.ExpiresAt.AsTime().Equal(start.Add(c.want)) {
				t.Errorf("ends %v (%v), want %v", got.GetExpiresAt().AsTime(), err, start.Add(c.want))
			}
			if _, err := x.guard.Verify(context.Background(), got.Token); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestSuspensionVoidsTokensEvenWhenTheClockStands(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		p := x.person("", "", engineer)
		_, before := x.token(p.PersonId)
		p = x.suspend(p, true)
		if !x.revocations.Revoked(before) {
			t.Error("a suspended person's token still works")
		}
		_, err := x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId})
		refusal(t, err, badField, "person_id")
		p = x.suspend(p, false)
		_, after := x.token(p.PersonId)
		if !x.revocations.Revoked(before) || x.revocations.Revoked(after) {
			t.Errorf("after the suspension: old one void %v, new one void %v", x.revocations.Revoked(before), x.revocations.Revoked(after))
		}
		x.suspend(p, true)
		if !x.revocations.Revoked(after) {
			t.Error("a second suspension within the same microsecond missed a token")
		}
		got := x.recorded(p.PersonId)
		if len(got) != 6 {
			t.Fatalf("%d events, want recorded, recorded, revoked, recorded, recorded, revoked", len(got))
		}
		void := got[2].(*accessv1.TokensRevoked)
		if until := void.IssuedUntil.AsTime(); void.TokenId != "" || until.Before(before.IssuedAt) || void.MootAt.AsTime().Sub(until) < access.MaxLifetime {
			t.Errorf("the event says %v", void)
		}
	})
}

func TestRevokeToken(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		riv, hlt := x.shop("RIV").ShopId, x.shop("HLT").ShopId
		p, boss := x.person(riv, "", technician), x.person(riv, "", lead)
		one, holder := x.token(p.PersonId)
		_, other := x.token(p.PersonId)
		bossToken, _ := x.token(boss.PersonId)
		revoke := func(ctx context.Context, id string) error {
			_, err := x.RevokeToken(ctx, &accessv1.RevokeTokenRequest{RequestId: x.request(), TokenId: id, Reason: "lost"})
			return err
		}
		refusal(t, revoke(as(hlt, lead), one.TokenId), notFound, "")
		refusal(t, revoke(asOperator(), x.request()), notFound, "")
		refusal(t, revoke(as(riv, lead), bossToken.TokenId), roleRefused, "token_id")
		if x.revocations.Revoked(holder) {
			t.Fatal("a refused revocation is in force")
		}
		req := &accessv1.RevokeTokenRequest{RequestId: x.request(), TokenId: one.TokenId, Reason: "lost"}
		first := must[*accessv1.RevokeTokenResponse](t)(x.RevokeToken(as(riv, lead), req))
		if again := must[*accessv1.RevokeTokenResponse](t)(x.RevokeToken(as(riv, lead), req)); !proto.Equal(again, first) {
			t.Errorf("the repeat gives %v", again)
		}
		if !x.revocations.Revoked(holder) || x.revocations.Revoked(other) {
			t.Errorf("void: the token %v, another of the person %v", x.revocations.Revoked(holder), x.revocations.Revoked(other))
		}
		got := x.recorded(p.PersonId)
		if m, ok := got[len(got)-1].(*accessv1.TokensRevoked); len(got) != 2 || !ok || m.TokenId != one.TokenId || m.PersonId != p.PersonId ||
			!m.MootAt.AsTime().After(one.ExpiresAt.AsTime()) {
			t.Errorf("events are %v", got)
		}
		if got := x.audited(); !slices.Equal(got, []string{"token issued", "token issued", "token issued", "token revoked"}) {
			t.Errorf("audit has %v", got)
		}
	})
}

func TestRotation(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		ctx, p := context.Background(), x.person("", "c1", integrator)
		long := func() string {
			return must[*accessv1.IssueTokenResponse](t)(x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{
				RequestId: x.request(), PersonId: p.PersonId, LifetimeSeconds: int64(access.MaxLifetime / time.Second)})).Token
		}
		old := long()
		req := &accessv1.RotateSigningKeyRequest{RequestId: x.request()}
		first := must[*accessv1.RotateSigningKeyResponse](t)(x.RotateSigningKey(asOperator(), req))
		if again := must[*accessv1.RotateSigningKeyResponse](t)(x.RotateSigningKey(asOperator(), req)); again.KeyId != first.KeyId {
			t.Errorf("the repeat rotated again: %s, then %s", first.KeyId, again.KeyId)
		}
		fresh := long()
		keys := must[map[string]access.Key](t)(access.ParseJWKS([]byte(must[*accessv1.GetJwksResponse](t)(x.GetJwks(ctx, nil)).Jwks)))
		if len(keys) != 2 || keys[first.KeyId].Alg != "EdDSA" {
			t.Errorf("published are %v", keys)
		}
		if files := keyFiles(t, x.keys); len(files) != 2 || !slices.Contains(files, first.KeyId+".pem") {
			t.Errorf("key files are %v", files)
		}
		for name, token := range map[string]string{"old": old, "new": fresh} {
			if _, err := x.verifier().Verify(ctx, token); err != nil {
				t.Errorf("the %s token: %v", name, err)
			}
		}
		// Once the last token of the old key has ended, the key goes.
		x.wall.Advance(access.MaxLifetime + 3*access.Leeway)
		if err := x.tidy(ctx); err != nil {
			t.Fatal(err)
		}
		keys = must[map[string]access.Key](t)(access.ParseJWKS([]byte(must[*accessv1.GetJwksResponse](t)(x.GetJwks(ctx, nil)).Jwks)))
		if len(keys) != 1 || keys[first.KeyId].ID == "" {
			t.Errorf("published are %v, want %s alone", keys, first.KeyId)
		}
		var tokens int
		if err := x.store.Reader(ctx).QueryRow(`SELECT count(*) FROM issued_token`).Scan(&tokens); err != nil || tokens != 0 {
			t.Errorf("%d ended tokens are left (%v)", tokens, err)
		}
	})
}

func TestSweepRemovesOldFilesOfKeysThatNoLongerSign(t *testing.T) {
	x := open(t, "", t.TempDir())
	ctx := context.Background()
	if err := x.tidy(ctx); err != nil {
		t.Fatal(err)
	}
	retired := keyFiles(t, x.keys)[0]
	current := must[*accessv1.RotateSigningKeyResponse](t)(x.RotateSigningKey(asOperator(), &accessv1.RotateSigningKeyRequest{RequestId: x.request()})).KeyId + ".pem"
	orphan := must[signer](t)(x.Service.keys.create()).id + ".pem"
	if err := x.tidy(ctx); err != nil || len(keyFiles(t, x.keys)) != 3 {
		t.Fatalf("young files went: %v, %v", keyFiles(t, x.keys), err)
	}
	long := time.Now().Add(-2 * orphanAge)
	for _, f := range []string{retired, current, orphan} {
		if err := os.Chtimes(filepath.Join(x.keys, f), long, long); err != nil {
			t.Fatal(err)
		}
	}
	if err := x.tidy(ctx); err != nil || !slices.Equal(keyFiles(t, x.keys), []string{current}) {
		t.Errorf("left are %v, want %s (%v)", keyFiles(t, x.keys), current, err)
	}
}

func keyFiles(t *testing.T, folder string) (names []string) {
	t.Helper()
	for _, f := range must[[]fs.DirEntry](t)(os.ReadDir(folder)) {
		info := must[fs.FileInfo](t)(f.Info())
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v", f.Name(), info.Mode())
		}
		names = append(names, f.Name())
	}
	return names
}

// Replicas on one store understand each other's tokens, with one key folder or
// with one each.
func TestReplicasVerifyEachOther(t *testing.T) {
	for _, shared := range []bool{true, false} {
		t.Run(fmt.Sprintf("shared folder %v", shared), func(t *testing.T) {
			eachEngine(t, func(t *testing.T, one trial) {
				keys := one.keys
				if !shared {
					keys = t.TempDir()
				}
				two := on(t, one.store, one.wall, keys)
				p := one.person("", "", engineer)
				for range 2 {
					a, _ := one.token(p.PersonId)
					b, _ := two.token(p.PersonId)
					for _, v := range []*access.Issuer{one.verifier(), two.verifier()} {
						for _, token := range []string{a.Token, b.Token} {
							if _, err := v.Verify(context.Background(), token); err != nil {
								t.Error(err)
							}
						}
					}
					must[*accessv1.RotateSigningKeyResponse](t)(two.RotateSigningKey(asOperator(), &accessv1.RotateSigningKeyRequest{RequestId: two.request()}))
				}
			})
		})
	}
}

func TestLostKeyFolderHeals(t *testing.T) {
	x := open(t, "", t.TempDir())
	p := x.person("", "", engineer)
	before, _ := x.token(p.PersonId)
	if err := os.RemoveAll(x.keys); err != nil {
		t.Fatal(err)
	}
	after, _ := x.token(p.PersonId)
	for _, token := range []string{before.Token, after.Token} {
		if _, err := x.verifier().Verify(context.Background(), token); err != nil {
			t.Error(err)
		}
	}
}

func TestUnreadableKeyIsUnavailable(t *testing.T) {
	x := open(t, "", t.TempDir())
	p := x.person("", "", engineer)
	x.token(p.PersonId)
	if err := os.Chmod(filepath.Join(x.keys, keyFiles(t, x.keys)[0]), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId})
	refusal(t, err, faultv1.Reason_REASON_UNAVAILABLE, "")
	if strings.Contains(fault.Of(err).Message, x.keys) || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("callers are told %q, the log %q", fault.Of(err).Message, err)
	}
}

func TestFirstOperator(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		ctx, path := context.Background(), filepath.Join(t.TempDir(), "data", "operator.token")
		for range 3 {
			if err := x.EnsureFirstOperator(ctx, path); err != nil {
				t.Fatal(err)
			}
		}
		token := readFile(t, path)
		who := must[access.Principal](t)(x.guard.Verify(ctx, strings.TrimSpace(token)))
		if !who.Has(operator) || !who.ExpiresAt.Equal(start.Add(30*24*time.Hour)) {
			t.Errorf("the token says %+v", who)
		}
		if info := must[fs.FileInfo](t)(os.Stat(path)); info.Mode().Perm() != 0o600 {
			t.Errorf("mode is %v", info.Mode())
		}
		people := must[*accessv1.ListPeopleResponse](t)(x.ListPeople(access.With(ctx, who), &accessv1.ListPeopleRequest{})).People
		if len(people) != 1 || people[0].PersonId != who.ID {
			t.Errorf("people are %v", people)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		if err := x.EnsureFirstOperator(ctx, path); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path); err == nil {
			t.Error("a token was written a second time")
		}
	})
}

// A process that ended between making the operator and writing the token owes
// the token, not a second operator.
func TestFirstOperatorAfterAnInterruption(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		ctx, folder := context.Background(), t.TempDir()
		blocked := filepath.Join(folder, "file")
		if err := os.WriteFile(blocked, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := x.EnsureFirstOperator(ctx, filepath.Join(blocked, "operator.token")); err == nil {
			t.Fatal("a token was written below a file")
		}
		path := filepath.Join(folder, "operator.token")
		if err := x.EnsureFirstOperator(ctx, path); err != nil {
			t.Fatal(err)
		}
		must[access.Principal](t)(x.guard.Verify(ctx, strings.TrimSpace(readFile(t, path))))
		if people := must[*accessv1.ListPeopleResponse](t)(x.ListPeople(asOperator(), &accessv1.ListPeopleRequest{})).People; len(people) != 1 {
			t.Errorf("people are %v", people)
		}
	})
}

func TestOperatorTokenIsRenewed(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		ctx, path := context.Background(), filepath.Join(t.TempDir(), "operator.token")
		renewed := func() access.Principal {
			if err := x.RenewFirstOperator(ctx, path); err != nil {
				t.Fatal(err)
			}
			return must[access.Principal](t)(x.guard.Verify(ctx, strings.TrimSpace(readFile(t, path))))
		}
		first := renewed()
		if again := renewed(); again.ID != first.ID || again.TokenID == first.TokenID {
			t.Errorf("renewed %+v to %+v, want another token of the same person", first, again)
		}
		err := x.store.Write(ctx, func(tx *db.Tx) error {
			row, err := lockPerson(tx, first.ID)
			row.suspended = true
			return errors.Join(err, updatePerson(tx, row))
		})
		if err != nil {
			t.Fatal(err)
		}
		if third := renewed(); third.ID == first.ID || !third.Has(operator) {
			t.Errorf("a suspended operator was renewed to %+v, want a new operator", third)
		}
	})
}

func TestNewNamesWhatIsMissing(t *testing.T) {
	_, err := New(Deps{KeyFolder: "x"})
	for _, name := range []string{"Store", "Outbox", "Commands", "Audit", "Revocations", "Clock", "IDs", "Log"} {
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s is not named in %v", name, err)
		}
	}
}
