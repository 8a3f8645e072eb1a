package rules

// table says who may import whom. The first row that matches an import decides.
var table = []row{
	// Computations.
	{deny, "pkg/lifetime", "context", anywhere, "a computation has nothing to wait for"},
	{deny, "pkg/lifetime", "time", anywhere, "a computation takes figures, not clocks or dates"},
	{deny, "pkg/lifetime", "log/...", anywhere, "a computation says all it has to say in its result"},
	{deny, "pkg/lifetime", "database/...", anywhere, "a computation takes plain values"},
	{deny, "pkg/lifetime", "net/...", anywhere, "a computation takes plain values"},
	{allow, "pkg/lifetime", "std", anywhere, "mathematics needs a language"},
	{allow, "pkg/lifetime", "gonum.org/v1/gonum/...", anywhere, "distributions and special functions that others have checked"},
	{allow, "pkg/lifetime", "pgregory.net/rapid", tests, "identities are tested on random input"},
	{deny, "pkg/lifetime", "...", anywhere, "a computation must be checkable against its source by somebody who knows nothing of this program"},

	// Services meet through contracts and events only.
	{allow, "services/run/...", "services/...", anywhere, "the one place that assembles services"},
	{allow, "services/wright/...", "services/wright/...", anywhere, "a command's own parts"},
	{allow, "services/wright", "services/run", anywhere, "serve and demo start the assembly"},
	{deny, "services/...", "services/...", anywhere, "a service that imports another cannot run without it; call it through gRPC or follow its events"},
	{deny, "pkg/...", "services/...", anywhere, "what services share cannot depend on one of them"},
	{allow, "integration/...", "services/run", anywhere, "tests across services start the assembly"},
	{deny, "integration/...", "services/...", anywhere, "tests across services see what clients see"},

	// What is for tests stays with tests.
	{allow, "...", "pkg/rig", tests, "tests start real servers"},
	{allow, "integration/...", "pkg/rig", anywhere, "integration is nothing but tests and what they share"},
	{deny, "...", "pkg/rig", anywhere, "real servers are started by tests only; the program must not carry them"},
	{allow, "integration/...", "integration/...", anywhere, "what tests across services share"},
	{deny, "...", "integration/...", anywhere, "tests depend on the program, not the other way round"},

	// One package knows each technology.
	{allow, "pkg/db/...", "modernc.org/sqlite/...", anywhere, "the store's engine"},
	{allow, "services/run", "modernc.org/sqlite", anywhere, "doctor reads files that nobody has open, without migrating them"},
	{allow, "integration/bench", "modernc.org/sqlite", tests, "the bare loop that commands are measured against"},
	{deny, "...", "modernc.org/sqlite/...", anywhere, "services write one SQL text for both engines; what differs lives in pkg/db"},
	{allow, "pkg/db/...", "github.com/jackc/pgx/...", anywhere, "the store's engine"},
	{allow, "pkg/rig", "github.com/jackc/pgx/...", anywhere, "makes fresh databases"},
	{allow, "integration/bench", "github.com/jackc/pgx/...", tests, "the bare loop that commands are measured against"},
	{deny, "...", "github.com/jackc/pgx/...", anywhere, "services write one SQL text for both engines; what differs lives in pkg/db"},
	{allow, "pkg/blob", "gocloud.dev/...", anywhere, "the bucket driver"},
	{allow, "...", "gocloud.dev/...", tests, "a test may look at a bucket behind the program's back"},
	{deny, "...", "gocloud.dev/...", anywhere, "blobs are durable and checked only through pkg/blob"},
}
