package failpoint

// Names are all places, in the order in which a change meets them.
var Names = []string{
	"command.before-job",
	"command.after-job",
	"db.before-commit",
	"db.after-commit",
	"outbox.before-publish",
	"outbox.after-publish",
	"outbox.before-mark",
	"outbox.after-mark",
	"inbox.before-apply",
	"inbox.before-commit",
	"inbox.after-commit",
	"inbox.before-ack",
}
