package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	"spindlewright/services/run"
)

// TokenCommand looks after tokens.
type TokenCommand struct {
	First  TokenFirstCommand  `cmd:"" help:"Say where the first operator's token is and how to use it."`
	Issue  TokenIssueCommand  `cmd:"" help:"Sign a token for a person; it is shown once."`
	Revoke TokenRevokeCommand `cmd:"" help:"End a token before its time."`
}

// TokenFirstCommand explains the first token.
type TokenFirstCommand struct {
	Data string `name:"data" group:"Settings" default:"data" placeholder:"DIR" help:"Data folder of the process that runs module access."`
}

// Run looks for the file and explains.
func (c *TokenFirstCommand) Run(io IO) error {
	path := run.OperatorTokenPath(c.Data)
	shown, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("%s is not there yet: module access writes it when it starts on an empty store (wright serve --data %s): %w", shown, c.Data, err)
	}
	_, err = fmt.Fprintf(io.Out, `The first operator's token is in
  %s
readable by the user that runs module access only. Use it to make people and tokens for them:
  wright token issue PERSON_ID --token-file %s
Then make an operator of your own, and delete the file: the first operator can be suspended like anybody else.
`, shown, shown)
	return err
}

// TokenIssueCommand issues a token.
type TokenIssueCommand struct {
	Person     string        `arg:"" help:"Id of the person or integrator."`
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
