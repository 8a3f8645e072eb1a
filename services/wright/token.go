package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/services/run"
)

// TokenCommand looks after tokens.
type TokenCommand struct {
	First  TokenFirstCommand  `cmd:"" help:"Say where the first operator's token is and how to use it, or renew it on the host."`
	People TokenPeopleCommand `cmd:"" help:"List people with the ids that tokens are issued for."`
	Issue  TokenIssueCommand  `cmd:"" help:"Sign a token for a person; it is shown once."`
	Revoke TokenRevokeCommand `cmd:"" help:"End a token before its time."`
}

// TokenFirstCommand explains the first token, or makes another when it is lost.
type TokenFirstCommand struct {
	Renew    bool         `name:"renew" help:"Write a new token, good for 30 days, without signing in: only while the process that runs module access is stopped."`
	Settings run.Settings `embed:""`
}

// Run looks for the file and explains.
func (c *TokenFirstCommand) Run(ctx context.Context, io IO) error {
	if c.Renew {
		return c.renew(ctx, io)
	}
	path := run.OperatorTokenPath(c.Settings.Data)
	shown, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("%s is not there: module access writes it when it starts on an empty store (wright serve --data %s); when the token was lost or has ended, stop that process and run: wright token first --renew --data %s", shown, c.Settings.Data, c.Settings.Data)
	}
	_, err = fmt.Fprintf(io.Out, `The first operator's token is in
  %s
readable by the user that runs module access only. Use it to make people and tokens for them:
  wright token issue PERSON_ID --token-file %s
Then make an operator of your own, and delete the file: the first operator can be suspended like anybody else.
`, shown, shown)
	return err
}

// renew prints the path alone, so that it can stand in another command.
func (c *TokenFirstCommand) renew(ctx context.Context, io IO) error {
	path, err := run.RenewOperatorToken(ctx, c.Settings)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(io.Out, path)
	return err
}

// TokenPeopleCommand lists people.
type TokenPeopleCommand struct {
	Shop       string     `name:"shop" placeholder:"ID" help:"People of this shop only."`
	Connection Connection `embed:""`
}

// Run lists all pages.
func (c *TokenPeopleCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		api := accessv1.NewAccessServiceClient(cc)
		w := tabwriter.NewWriter(io.Out, 0, 4, 2, ' ', 0)
		_, _ = fmt.Fprintln(w, "PERSON\tNAME\tROLES\tSHOP")
		ask := &accessv1.ListPeopleRequest{ShopId: c.Shop, PageSize: 200}
		for {
			page, err := api.ListPeople(ctx, ask)
			if err != nil {
				return err
			}
			for _, p := range page.People {
				_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", p.PersonId, orDash(p.DisplayName), roleWords(p.Roles), orDash(p.ShopId))
			}
			if ask.PageToken = page.NextPageToken; ask.PageToken == "" {
				return w.Flush()
			}
		}
	})
}

func roleWords(roles []accessv1.Role) string {
	var words []string
	for _, r := range roles {
		words = append(words, strings.ToLower(strings.TrimPrefix(r.String(), "ROLE_")))
	}
	return strings.Join(words, ",")
}

// TokenIssueCommand issues a token.
type TokenIssueCommand struct {
	Person     string        `arg:"" help:"Id of the person or integrator, from: wright token people."`
	Lifetime   time.Duration `name:"lifetime" default:"8h" help:"How long it is good; above 24h for integrators only."`
	Connection Connection    `embed:""`
}

// Run prints the token alone on Out, so that it can be kept in a file.
func (c *TokenIssueCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		got, err := accessv1.NewAccessServiceClient(cc).IssueToken(ctx, &accessv1.IssueTokenRequest{
			RequestId: uuid.NewString(), PersonId: c.Person, LifetimeSeconds: int64(c.Lifetime / time.Second)})
		if err != nil {
			return err
		}
		_, _ = fmt.Fprintf(io.Err, "token %s, good until %s\n", got.TokenId, got.ExpiresAt.AsTime().Format(timeLayout))
		_, err = fmt.Fprintln(io.Out, got.Token)
		return err
	})
}

// TokenRevokeCommand revokes a token.
type TokenRevokeCommand struct {
	TokenID    string     `arg:"" name:"token-id" help:"Id that was printed when it was issued."`
	Reason     string     `name:"reason" required:"" help:"Why; kept on record."`
	Connection Connection `embed:""`
}

// Run revokes it.
func (c *TokenRevokeCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		got, err := accessv1.NewAccessServiceClient(cc).RevokeToken(ctx, &accessv1.RevokeTokenRequest{
			RequestId: uuid.NewString(), TokenId: c.TokenID, Reason: c.Reason})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(io.Out, "revoked at %s; services stop honouring it within 30 s\n", got.RevokedAt.AsTime().Format(timeLayout))
		return err
	})
}
