package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"spindlewright/pkg/clock"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/services/run"
	"spindlewright/services/wright/history"
)

func runDemo(t *testing.T, args ...string) (code int, out, said string) {
	t.Helper()
	var o, e bytes.Buffer
	code = execute(t.Context(), append([]string{"demo", "--exit"}, args...), IO{Out: &o, Err: &e, Getenv: func(string) string { return "" }})
	return code, o.String(), e.String()
}

// The demo prints the same twice, whatever the machine's clock and the folder.
func TestDemoPrintsTheSameTwice(t *testing.T) {
	code, first, said := runDemo(t, "--truth")
	if code != exitDone {
		t.Fatalf("code %d, said %s", code, said)
	}
	for _, want := range []string{
		"The clock stands at 2026-07-31", "stopped at a shut gate", "counted as a warranty return", "beyond repair: scrapped",
		"waits for a bearing set", "hours at removal corrected", "photograph of the outer raceway", "work in progress", "failure mode",
		"true MTBR", "harrow-mills", "kestrel-24", "What the network learned", "0 refused",
	} {
		if !strings.Contains(first, want) {
			t.Errorf("does not print %q", want)
		}
	}
	folder := filepath.Join(t.TempDir(), "kept")
	code, second, said := runDemo(t, "--truth", "--data", folder)
	if code != exitDone {
		t.Fatalf("code %d, said %s", code, said)
	}
	if first != second {
		t.Errorf("first\n%s\nthen\n%s", first, second)
	}
	if _, err := os.Stat(filepath.Join(folder, "history.csv")); err != nil {
		t.Error(err)
	}
	if code, _, said := runDemo(t, "--data", folder); code != exitUsage || !strings.Contains(said, "is not empty") ||
		!strings.Contains(said, "tokens made there have ended") || !strings.Contains(said, "wright token first --renew --data "+folder) {
		t.Errorf("on a used folder: code %d, said %s", code, said)
	}
}

// Readings belong to their spindle: another one, or another visit, reads
// otherwise, around a value that fits the model's size.
func TestDemoReadingsFitTheirSpindle(t *testing.T) {
	large, small := &intakev1.SpindleModel{MaxSpeedRpm: 6000}, &intakev1.SpindleModel{MaxSpeedRpm: 30_000}
	for code, r := range readings {
		kind := &intakev1.EvidenceKind{Code: code}
		seen := map[string]bool{}
		for n := range 20 {
			serial := fmt.Sprint("S", n)
			typed, instrument := plausible(kind, "RIV", small, serial, 1)
			again, _ := plausible(kind, "RIV", small, serial, 1)
			v, err := strconv.ParseFloat(typed, 64)
			if err != nil || v <= 0 || typed != again || instrument != "RIV-"+r.instrument {
				t.Fatalf("%s reads %q, then %q, with %s: %v", code, typed, again, instrument, err)
			}
			seen[typed] = true
			other, _ := plausible(kind, "RIV", large, serial, 1)
			if w, _ := strconv.ParseFloat(other, 64); code == "drawbar_force" && w <= v {
				t.Errorf("the large model's drawbar pulls %s N, the small one's %s N", other, typed)
			}
		}
		if len(seen) < 3 {
			t.Errorf("%s reads nothing but %v", code, seen)
		}
	}
	for _, s := range stories() {
		if symptoms[s.reason] == "" && s.reason != "unknown" {
			t.Errorf("nobody tells of %s", s.reason)
		}
		if workday(s.day) != s.day {
			t.Errorf("July %d is no working day", s.day)
		}
	}
}

func TestLessonsAreOfModesThatAreKnown(t *testing.T) {
	group := func(key string, unknown, vibration *reliabilityv1.Estimate) *reliabilityv1.ModeGroup {
		return &reliabilityv1.ModeGroup{Key: []string{key}, Modes: []*reliabilityv1.ModeRow{
			{Mode: "unknown", RatePer_10000Hours: unknown}, {Mode: "vibration", RatePer_10000Hours: vibration}}}
	}
	got := lubricationMatters(&reliabilityv1.QueryFailureModesResponse{Groups: []*reliabilityv1.ModeGroup{
		group("grease", estimate(9, 8, 10), estimate(4, 3, 5)), group("oil_air", estimate(1, 0.5, 1.5), estimate(2, 1.5, 2.5))}})
	if !strings.Contains(got, "vibration comes 2.0 times as often per running hour with grease as with oil-air") {
		t.Errorf("learned %q", got)
	}
}

// newNetwork starts a site with the invented shops, customers and models.
func newNetwork(t *testing.T) *demo {
	t.Helper()
	d := &demo{out: IO{Out: io.Discard, Err: io.Discard}, data: t.TempDir(), clock: clock.NewManual(demoBegins)}
	command := DemoCommand{Exit: true}
	settings, err := command.settings(d.data)
	if err != nil {
		t.Fatal(err)
	}
	if d.site, err = run.Start(t.Context(), run.Config{Settings: settings, Clock: d.clock}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := d.close(ctx); err != nil {
			t.Error(err)
		}
	})
	for _, step := range []func(context.Context) error{d.connect, d.openShops, d.register} {
		if err := step(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// A hostile file goes in as far as it may: every line that must be refused is
// refused at its column, every other is in, and once.
func TestHostileHistoryIsRefusedLineByLine(t *testing.T) {
	d := newNetwork(t)
	hostile := history.Adversarial(2, 1)
	var file bytes.Buffer
	if err := hostile.Write(&file); err != nil {
		t.Fatal(err)
	}
	token, err := d.token(t.Context(), d.steward)
	if err != nil {
		t.Fatal(err)
	}
	refused := map[int64]*history.RowError{}
	sum, err := importHistory(signedWith(t.Context(), token), d.conns[1], bytes.NewReader(file.Bytes()), importHooks{
		refused: func(e *history.RowError) error { refused[e.Line] = e; return nil }, sent: func(int) {}})
	if err != nil {
		t.Fatal(err)
	}
	number, known := int64(1), int64(0)
	for line := range hostile.Lines() {
		number++
		e := refused[number]
		switch {
		case line.Refused == "" && e != nil:
			t.Errorf("refused %v: %v", line.Fields, e)
		case line.Refused != "" && e == nil:
			t.Errorf("line %d was taken in spite of %s", number, line.Why)
		case line.Refused != "" && e.Column != line.Refused:
			t.Errorf("%s: %v, want it at %s", line.Why, e, line.Refused)
		}
		if line.Known {
			known++
		}
	}
	if sum.rows() != number-1 || sum.Known != known || sum.Refused != int64(len(refused)) {
		t.Errorf("sum is %+v of %d lines, %d of them known, %d refused", sum, number-1, known, len(refused))
	}
}
