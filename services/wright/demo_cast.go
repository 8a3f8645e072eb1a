package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/metadata"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/services/wright/history"
)

// demoPerson is somebody who signs in, with a token that is renewed when the
// demo's clock has outrun it.
type demoPerson struct {
	id, name string
	token    string
	until    time.Time
}

// demoShop is a shop with the people of the script.
type demoShop struct {
	id, code                  string
	zone                      *time.Location
	lead, technician, quality *demoPerson
}

// requestID names the next command; the same script gives the same names.
func (d *demo) requestID() string {
	d.asked++
	return uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "demo command %d", d.asked)).String()
}

// as signs calls with a person's token.
func (d *demo) as(ctx context.Context, p *demoPerson) (context.Context, error) {
	token, err := d.token(ctx, p)
	if err != nil {
		return nil, err
	}
	return signedWith(ctx, token), nil
}

func signedWith(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// A token lives for a day of the demo's clock, which goes on in strides that no
// token's rest is shorter than.
const (
	tokenLife   = 24 * time.Hour
	tokenRest   = 13 * time.Hour
	clockStride = 12 * time.Hour
)

// advance moves the clock on, and keeps the operator signed in on the way.
func (d *demo) advance(ctx context.Context, to time.Time) error {
	for d.clock.Now().Before(to) {
		if _, err := d.token(ctx, d.operator); err != nil {
			return err
		}
		next := d.clock.Now().Add(clockStride)
		if next.After(to) {
			next = to
		}
		d.clock.Set(next)
	}
	return nil
}

// token gives a token that outlasts the next stride of the clock.
func (d *demo) token(ctx context.Context, p *demoPerson) (string, error) {
	if d.clock.Now().Add(tokenRest).Before(p.until) {
		return p.token, nil
	}
	signed := signedWith(ctx, d.operator.token)
	if p != d.operator {
		var err error
		if signed, err = d.as(ctx, d.operator); err != nil {
			return "", err
		}
	}
	got, err := d.access.IssueToken(signed, &accessv1.IssueTokenRequest{
		RequestId: d.requestID(), PersonId: p.id, LifetimeSeconds: int64(tokenLife / time.Second)})
	if err != nil {
		return "", fmt.Errorf("token for %s: %w", p.name, err)
	}
	p.token, p.until = got.Token, got.ExpiresAt.AsTime()
	return p.token, nil
}

// openShops signs the first operator in and makes shops and people.
func (d *demo) openShops(ctx context.Context) error {
	first, err := os.ReadFile(d.site.OperatorTokenFile())
	if err != nil {
		return err
	}
	d.operator = &demoPerson{name: "operator", token: strings.TrimSpace(string(first))}
	me, err := d.access.WhoAmI(signedWith(ctx, d.operator.token), &accessv1.WhoAmIRequest{})
	if err != nil {
		return err
	}
	d.operator.id, d.operator.until = me.PersonId, me.ExpiresAt.AsTime()
	d.shops = map[string]*demoShop{}
	for _, info := range history.Shops() {
		if err := d.openShop(ctx, info); err != nil {
			return err
		}
	}
	if d.steward, err = d.hire(ctx, "steward", accessv1.Role_ROLE_STEWARD, ""); err != nil {
		return err
	}
	if d.engineer, err = d.hire(ctx, "engineer", accessv1.Role_ROLE_ENGINEER, ""); err != nil {
		return err
	}
	return d.caughtUp(ctx, "intake", "access")
}

func (d *demo) openShop(ctx context.Context, info history.ShopInfo) error {
	signed, err := d.as(ctx, d.operator)
	if err != nil {
		return err
	}
	made, err := d.access.CreateShop(signed, &accessv1.CreateShopRequest{RequestId: d.requestID(), Shop: &accessv1.Shop{
		Code: info.Code, DisplayName: info.Name, TimeZone: info.Zone, FourEyes: info.Code == "RIV"}})
	if err != nil {
		return err
	}
	shop := &demoShop{id: made.ShopId, code: info.Code}
	if shop.zone, err = time.LoadLocation(info.Zone); err != nil {
		return err
	}
	for _, who := range []struct {
		name string
		role accessv1.Role
		into **demoPerson
	}{
		{"lead", accessv1.Role_ROLE_LEAD, &shop.lead},
		{"technician", accessv1.Role_ROLE_TECHNICIAN, &shop.technician},
		{"quality", accessv1.Role_ROLE_QUALITY, &shop.quality},
	} {
		if *who.into, err = d.hire(ctx, info.Code+" "+who.name, who.role, made.ShopId); err != nil {
			return err
		}
	}
	d.shops[info.Code] = shop
	return nil
}

// hire makes a person of the network or of a shop.
func (d *demo) hire(ctx context.Context, name string, role accessv1.Role, shopID string) (*demoPerson, error) {
	return d.make(ctx, &accessv1.Person{DisplayName: name, Roles: []accessv1.Role{role}, ShopId: shopID})
}

func (d *demo) make(ctx context.Context, p *accessv1.Person) (*demoPerson, error) {
	signed, err := d.as(ctx, d.operator)
	if err != nil {
		return nil, err
	}
	made, err := d.access.CreatePerson(signed, &accessv1.CreatePersonRequest{RequestId: d.requestID(), Person: p})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.DisplayName, err)
	}
	return &demoPerson{id: made.PersonId, name: p.DisplayName}, nil
}

// writeTokens leaves a token of each kind of user in files of their own.
func (d *demo) writeTokens(ctx context.Context) (folder string, names []string, err error) {
	folder = filepath.Join(d.data, "tokens")
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return "", nil, err
	}
	people := []*demoPerson{d.operator, d.steward, d.engineer, d.customer}
	for _, code := range sortedKeys(d.shops) {
		s := d.shops[code]
		people = append(people, s.lead, s.technician, s.quality)
	}
	for _, p := range people {
		token, err := d.token(ctx, p)
		if err != nil {
			return "", nil, err
		}
		name := strings.ReplaceAll(p.name, " ", "-") + ".token"
		if err := os.WriteFile(filepath.Join(folder, name), []byte(token+"\n"), 0o600); err != nil {
			return "", nil, err
		}
		names = append(names, name)
	}
	return folder, slices.Clip(names), nil
}
