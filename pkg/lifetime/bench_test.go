package lifetime

import "testing"

func BenchmarkWilsonShare(b *testing.B) {
	for b.Loop() {
		_, _ = WilsonShare(81, 263, 0.95)
	}
}

func BenchmarkPoissonRate(b *testing.B) {
	for b.Loop() {
		_, _ = PoissonRate(42, 123456, 0.95)
	}
}

func BenchmarkMTBR(b *testing.B) {
	for b.Loop() {
		_, _ = MTBR(420, 1234567, 0.95)
	}
}
