package arrangement

import (
	"context"
	"testing"
	"time"

	"spindlewright/integration/fleet"
	"spindlewright/integration/scenario"
	"spindlewright/pkg/rig"
)

// TestSameStory lives one story as one process on embedded stores and as two
// replicas of each service on PostgreSQL, NATS and S3, and compares every row.
func TestSameStory(t *testing.T) {
	one := live(t, fleet.Plan{Whole: true})
	many := live(t, fleet.Plan{Replicas: 2, SQLURL: rig.PostgreSQL(t), NATSURL: rig.NATSServer(t).URL, BlobURL: rig.S3(t)})
	if len(one) < 200 {
		t.Fatalf("the story left only %d rows", len(one))
	}
	if diff := one.Diff(many); diff != "" {
		t.Errorf("one process and many differ:\n%s", diff)
	}
}

func live(t *testing.T, p fleet.Plan) scenario.Rows {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	site := fleet.Start(t, p).Site()
	cast, err := site.SetUp(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := site.Play(ctx, cast); err != nil {
		t.Fatal(err)
	}
	rows, err := site.Observe(ctx, cast)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}
