package run

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"
)

// Every service signs in to the embedded bus as a user of its own, who may
// publish the service's own events only. The passwords follow from the key
// that the processes of an installation share, so that another process on the
// same machine can join and nobody else can.

// busPassword derives a service's password.
func busPassword(internalKey []byte, service string) string {
	h := hmac.New(sha256.New, internalKey)
	_, _ = fmt.Fprintf(h, "bus user %s", service)
	return hex.EncodeToString(h.Sum(nil))
}

// busUsers lists the users for the server, which wants passwords hashed. They
// hold 256 random bits, so a costly hash would guard nothing.
func busUsers(internalKey []byte) ([]*server.User, error) {
	var users []*server.User
	for _, service := range moduleNames[1:] {
		hash, err := bcrypt.GenerateFromPassword([]byte(busPassword(internalKey, service)), bcrypt.MinCost)
		if err != nil {
			return nil, err
		}
		users = append(users, &server.User{Username: service, Password: string(hash), Permissions: busPermissions(service)})
	}
	return users, nil
}

// busPermissions lists what a service does on the bus: it keeps and fills its
// own stream, reads others' through consumers that bear its name, and wakes
// its own relay and readers in other replicas.
func busPermissions(service string) *server.Permissions {
	stream := "SW_" + strings.ToUpper(service)
	return &server.Permissions{
		Publish: &server.SubjectPermission{Allow: []string{
			"spindlewright.v1.*." + service + ".>",
			"spindlewright.wake." + service,
			"spindlewright.nudge." + service,
			"$JS.API.INFO",
			"$JS.API.STREAM.INFO.*",
			"$JS.API.STREAM.CREATE." + stream,
			"$JS.API.STREAM.UPDATE." + stream,
			"$JS.API.STREAM.DELETE." + stream,
			"$JS.API.STREAM.MSG.GET." + stream,
			"$JS.API.DIRECT.GET." + stream + ".>",
			"$JS.API.DIRECT.GET." + stream,
			"$JS.API.CONSUMER.CREATE.*." + service,
			"$JS.API.CONSUMER.CREATE.*." + service + ".>",
			"$JS.API.CONSUMER.DURABLE.CREATE.*." + service,
			"$JS.API.CONSUMER.INFO.*." + service,
			"$JS.API.CONSUMER.MSG.NEXT.*." + service,
			"$JS.ACK.*." + service + ".>",
		}},
		Subscribe: &server.SubjectPermission{Allow: []string{
			inboxPrefix(service) + ".>",
			"spindlewright.wake." + service,
			"spindlewright.nudge." + service,
		}},
	}
}

// inboxPrefix keeps a service's answers out of others' sight.
func inboxPrefix(service string) string { return "_INBOX_" + service }
