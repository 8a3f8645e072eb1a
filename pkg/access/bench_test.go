package access

import (
	"context"
	"testing"

	"google.golang.org/grpc"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// What the guard adds to a call: a token that is remembered, and one that is
// verified each time.
func BenchmarkGuard(b *testing.B) {
	trial := newBench(b)
	token := trial.good().sign(b)
	info := &grpc.UnaryServerInfo{FullMethod: accessv1.AccessService_ListPeople_FullMethodName}
	handler := func(context.Context, any) (any, error) { return nil, nil }
	b.Run("remembered", func(b *testing.B) {
		g := NewGuard(GuardConfig{Verifier: trial.verify, Clock: manual()})
		ctx := withHeader("Bearer " + token)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := g.Unary()(ctx, nil, info, handler); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("verified", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := trial.verify.Verify(context.Background(), token); err != nil {
				b.Fatal(err)
			}
		}
	})
}
