package run

import (
	"time"

	"github.com/alecthomas/kong"
)

// Settings is every setting of a process, defined once: a flag --sql-url is the
// environment variable SPINDLEWRIGHT_SQL_URL and the YAML key sql_url. A flag
// wins over the environment, the environment over the file, the file over the
// default.
type Settings struct {
	ConfigFile string `name:"config-file" group:"Settings" type:"path" placeholder:"FILE" help:"YAML file with any of these settings; the keys are the flags with _ for -."`

	Data    string   `name:"data" group:"Settings" default:"data" placeholder:"DIR" help:"Folder of everything that is kept: one folder a module below it, each locked while in use."`
	Modules []string `name:"modules" group:"Settings" placeholder:"NAME,..." help:"Modules to run here; empty means all: bus, access, intake, reliability."`

	Listen    string `name:"listen" group:"Settings" default:"127.0.0.1:7420" placeholder:"ADDR" help:"Address of the gRPC listener."`
	OpsListen string `name:"ops-listen" group:"Settings" default:"127.0.0.1:7421" placeholder:"ADDR" help:"Address of the operator's HTTP listener: /metrics, /healthz, /readyz, /.well-known/jwks.json."`
	BusListen string `name:"bus-listen" group:"Settings" default:"127.0.0.1:7422" placeholder:"ADDR" help:"Loopback address of the embedded NATS server."`

	SQLURL  string `name:"sql-url" group:"Settings" secret:"" placeholder:"URL" help:"postgres:// address; empty means one SQLite file a service in the data folder."`
	BlobURL string `name:"blob-url" group:"Settings" secret:"" placeholder:"URL" help:"s3:// bucket address; empty means a folder in the data folder."`

	NATSURL   string `name:"nats-url" group:"Settings" secret:"" placeholder:"URL,..." help:"Addresses of a NATS server or cluster with JetStream; empty means the embedded one of module bus."`
	NATSCreds string `name:"nats-creds" group:"Settings" type:"path" placeholder:"FILE" help:"NATS credentials file."`
	NATSCA    string `name:"nats-ca" group:"Settings" type:"path" placeholder:"FILE" help:"Certificate authority that signed the NATS servers' certificates; switches TLS on."`
	NATSCert  string `name:"nats-cert" group:"Settings" type:"path" placeholder:"FILE" help:"Client certificate for NATS."`
	NATSKey   string `name:"nats-key" group:"Settings" type:"path" placeholder:"FILE" help:"Key of the client certificate for NATS."`

	NATSReplicas int `name:"nats-replicas" group:"Settings" default:"1" placeholder:"N" help:"Copies of each stream in a NATS cluster, 1 to 5; used when a stream is made."`

	Peers  map[string]string `name:"peers" group:"Settings" mapsep:"," placeholder:"SERVICE=ADDR,..." help:"Where the services are that do not run here."`
	PeerCA string            `name:"peer-ca" group:"Settings" type:"path" placeholder:"FILE" help:"Certificate authority of the peers' listeners; switches TLS on towards them."`

	TLSCert      string `name:"tls-cert" group:"Settings" type:"path" placeholder:"FILE" help:"Certificate chain of the gRPC listener; switches TLS on."`
	TLSKey       string `name:"tls-key" group:"Settings" type:"path" placeholder:"FILE" help:"Key of the certificate."`
	TLSClientCA  string `name:"tls-client-ca" group:"Settings" type:"path" placeholder:"FILE" help:"Certificate authority that callers' certificates must be signed by."`
	TLSElsewhere bool   `name:"tls-elsewhere" group:"Settings" help:"Proxies end TLS, so a service may listen and call its peers in plain across machines. Module access may not listen so."`

	InternalKey string `name:"internal-key" group:"Settings" type:"path" placeholder:"FILE" help:"Ed25519 key (PEM) that all processes of an installation share for calls between services; empty means internal.key in the data folder, made at first start."`

	SigningKeys string `name:"signing-keys" group:"Settings" type:"path" placeholder:"DIR" help:"Folder of the keys that sign tokens, shared by all replicas of module access; empty means access/keys in the data folder."`

	JWKSURL string `name:"jwks-url" group:"Settings" placeholder:"URL" help:"Key set of an external identity provider that issues the tokens; empty means module access."`
	Issuer  string `name:"issuer" group:"Settings" default:"spindlewright" placeholder:"TEXT" help:"Issuer (iss) that tokens must carry. Their audience (aud) must be spindlewright."`

	TraceSampling float64 `name:"trace-sampling" group:"Settings" default:"0.01" placeholder:"SHARE" help:"Share of traces that start here and are kept, 0 to 1. Exporters are chosen by the standard OTEL_* variables; without OTEL_TRACES_EXPORTER there are no traces."`

	LogLevel  string `name:"log-level" group:"Settings" enum:"debug,info,warn,error" default:"info" help:"debug, info, warn or error."`
	LogFormat string `name:"log-format" group:"Settings" enum:"auto,text,json" default:"auto" help:"text, json, or auto: text on a terminal."`

	ShutdownDeadline time.Duration `name:"shutdown-deadline" group:"Settings" default:"20s" placeholder:"TIME" help:"How long a graceful stop may take before running calls are cut off."`
}

// Defaults gives the settings that hold when nothing is said.
func Defaults() (Settings, error) {
	var s Settings
	k, err := kong.New(&s, kong.Name("settings"), kong.Exit(func(int) {}))
	if err != nil {
		return Settings{}, err
	}
	_, err = k.Parse(nil)
	return s, err
}

// ForTest gives a configuration for a whole site in one process on free
// loopback ports, with everything in folder and nothing logged.
func ForTest(folder string) Config {
	s, err := Defaults()
	if err != nil {
		// The defaults are in this file; TestDefaults parses them.
		panic(err)
	}
	s.Data = folder
	s.Listen, s.OpsListen, s.BusListen = "127.0.0.1:0", "127.0.0.1:0", "127.0.0.1:0"
	return Config{Settings: s}
}
