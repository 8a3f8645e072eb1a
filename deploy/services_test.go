package deploy

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/nats-server/v2/server"

	"spindlewright/pkg/rig"
	"spindlewright/services/run"
)

// TestServicesWorkWithTheseRightsAndCertificates runs each service on its own,
// as compose.yaml and the units do: with its user of nats.conf, and with TLS and
// keys from certificates.sh. Nothing may be forbidden that a service needs: every
// dependency must come to be well, and the event of the first operator must
// reach whoever follows it.
func TestServicesWorkWithTheseRightsAndCertificates(t *testing.T) {
	secrets := t.TempDir()
	rig.Tool(t, "openssl", "openssl")
	if out, err := exec.Command("./certificates.sh", secrets, "localhost", "127.0.0.1").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	bus := serveNATS(t)
	services := []string{"access", "intake", "reliability"}
	peers := map[string]string{}
	for _, name := range services {
		peers[name] = rig.Address(t)
	}
	sites := map[string]*run.Site{}
	for _, name := range services {
		c := run.ForTest(t.TempDir())
		s := &c.Settings
		s.Modules, s.Listen, s.Peers = []string{name}, peers[name], peers
		s.NATSURL = strings.Replace(bus.ClientURL(), "://", fmt.Sprintf("://%s:%s-secret@", name, name), 1)
		s.TLSCert, s.TLSKey, s.PeerCA = filepath.Join(secrets, "tls.crt"), filepath.Join(secrets, "tls.key"), filepath.Join(secrets, "ca.crt")
		s.InternalKey = filepath.Join(secrets, "internal.key")
		site, err := run.Start(t.Context(), c)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		sites[name] = site
		t.Cleanup(func() {
			ctx, cancel := context.WithTimeout(context.Background(), limit)
			defer cancel()
			if err := site.Close(ctx); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	for _, name := range services {
		rig.Until(t, limit, func() string { return unwell(name, sites[name]) })
	}
	for _, road := range [][2]string{{"SW_ACCESS", "intake"}, {"SW_ACCESS", "reliability"}, {"SW_INTAKE", "reliability"}} {
		rig.Until(t, limit, func() string { return behind(bus, road[0], road[1]) })
	}
}

// behind says what keeps a follower from having applied all of a stream.
func behind(bus *server.Server, stream, follower string) string {
	info, err := bus.Jsz(&server.JSzOptions{Accounts: true, Streams: true, Consumer: true})
	if err != nil {
		return err.Error()
	}
	for _, account := range info.AccountDetails {
		for _, s := range account.Streams {
			if s.Name != stream {
				continue
			}
			if stream == "SW_ACCESS" && s.State.Msgs == 0 {
				return stream + " is empty; the first operator was recorded"
			}
			for _, c := range s.Consumer {
				if c.Name == follower && c.NumPending == 0 && c.NumAckPending == 0 && c.AckFloor.Stream == s.State.LastSeq {
					return ""
				}
			}
			return fmt.Sprintf("%s has not applied all of %s (%d messages, %d consumers)", follower, stream, s.State.Msgs, len(s.Consumer))
		}
	}
	return "there is no stream " + stream
}

// unwell says what a site lacks.
func unwell(name string, site *run.Site) string {
	answer, err := http.Get("http://" + site.OpsAddr() + "/readyz")
	if err != nil {
		return err.Error()
	}
	defer func() { _ = answer.Body.Close() }()
	var got struct {
		Degraded bool
		Checks   []struct {
			Name, Detail string
			OK           bool
		}
	}
	if err := json.NewDecoder(answer.Body).Decode(&got); err != nil {
		return err.Error()
	}
	for _, c := range got.Checks {
		if !c.OK {
			return fmt.Sprintf("%s: %s: %s", name, c.Name, c.Detail)
		}
	}
	if got.Degraded || len(got.Checks) < 3 {
		return fmt.Sprintf("%s: degraded with %d checks", name, len(got.Checks))
	}
	return ""
}
