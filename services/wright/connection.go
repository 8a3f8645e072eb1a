package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"spindlewright/pkg/access"
)

// Connection is how a client command reaches a site.
type Connection struct {
	To        string `name:"to" group:"Connection" default:"127.0.0.1:7420" placeholder:"ADDR" help:"gRPC address of the site or service."`
	Token     string `name:"token" group:"Connection" secret:"" placeholder:"TOKEN" help:"Token to sign in with; prefer the file, command lines are seen by others."`
	TokenFile string `name:"token-file" group:"Connection" type:"path" placeholder:"FILE" help:"File that holds the token."`
	TLS       bool   `name:"tls" group:"Connection" help:"Use TLS with the machine's certificate authorities."`
	CA        string `name:"ca" group:"Connection" type:"path" placeholder:"FILE" help:"Use TLS; certificate authority that signed the site's certificate."`
	Cert      string `name:"cert" group:"Connection" type:"path" placeholder:"FILE" help:"Client certificate, when the site asks for one."`
	Key       string `name:"key" group:"Connection" type:"path" placeholder:"FILE" help:"Key of the client certificate."`
}

// usualAddress is the default of --to.
const usualAddress = "127.0.0.1:7420"

// maxMessage is what a server of ours sends at most.
const maxMessage = 4 << 20

// Dial connects; every call carries the token, when there is one.
func (c *Connection) Dial() (*grpc.ClientConn, error) {
	token, err := c.token()
	if err != nil {
		return nil, err
	}
	transport, err := c.transport()
	if err != nil {
		return nil, err
	}
	target := c.To
	if !strings.Contains(target, ":///") {
		target = "passthrough:///" + target
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage), grpc.MaxCallSendMsgSize(maxMessage)),
	}
	if token != "" {
		options = append(options, grpc.WithPerRPCCredentials(access.TokenCredentials(token)))
	}
	return grpc.NewClient(target, options...)
}

func (c *Connection) token() (string, error) {
	if c.Token != "" && c.TokenFile != "" {
		return "", usagef("--token and --token-file are both given; give one")
	}
	if c.TokenFile == "" {
		return c.Token, nil
	}
	text, err := os.ReadFile(c.TokenFile)
	if err != nil {
		return "", usageError{fmt.Errorf("--token-file: %w", err)}
	}
	return strings.TrimSpace(string(text)), nil
}

func (c *Connection) transport() (credentials.TransportCredentials, error) {
	if !c.TLS && c.CA == "" && c.Cert == "" {
		return insecure.NewCredentials(), nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.CA != "" {
		pem, err := os.ReadFile(c.CA)
		if err != nil {
			return nil, usageError{fmt.Errorf("--ca: %w", err)}
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, usagef("--ca %s holds no PEM certificate", c.CA)
		}
	}
	if c.Cert != "" {
		pair, err := tls.LoadX509KeyPair(c.Cert, c.Key)
		if err != nil {
			return nil, usageError{fmt.Errorf("--cert and --key: %w", err)}
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return credentials.NewTLS(t), nil
}

// with runs one piece of work on a connection.
func (c *Connection) with(work func(cc *grpc.ClientConn) error) error {
	cc, err := c.Dial()
	if err != nil {
		return err
	}
	if err := work(cc); err != nil {
		_ = cc.Close()
		return err
	}
	return cc.Close()
}
