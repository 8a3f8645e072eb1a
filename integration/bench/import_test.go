package bench

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"

	"spindlewright/integration/fleet"
	"spindlewright/integration/scenario"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/pkg/rig"
)

// BenchmarkImport: a million rows of 100,000 spindles from a CSV file through
// wright import into a running installation, until the statistics rest on all
// of them; and what a grouped question then costs.
func BenchmarkImport(b *testing.B) {
	const spindles, visits = 100_000, 10
	f := fleet.Start(b, fleet.Plan{Whole: true})
	site := f.Site()
	cast, err := site.SetUp(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	if _, err := site.CaughtUp(b.Context()); err != nil {
		b.Fatal(err)
	}
	file := filepath.Join(b.TempDir(), "history.csv")
	if err := writeHistory(file, spindles, visits); err != nil {
		b.Fatal(err)
	}
	m := f.Member("whole-1")
	before := memory(b, m.PID(), "VmRSS")
	token := filepath.Join(b.TempDir(), "token")
	if err := os.WriteFile(token, []byte(cast.Steward), 0o600); err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	out, err := exec.Command(rig.Binary(b), "import", file, "--to", m.Addr, "--token-file", token).CombinedOutput()
	if err != nil {
		b.Fatalf("import: %v\n%s", err, out)
	}
	sent := time.Since(start)
	ends, err := site.CaughtUp(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	ask := func() (*reliabilityv1.QueryMtbrResponse, error) {
		return reliabilityv1.NewReliabilityServiceClient(site.Conn("reliability")).QueryMtbr(scenario.As(b.Context(), cast.Engineer),
			&reliabilityv1.QueryMtbrRequest{Question: &reliabilityv1.Question{GroupBy: []string{"customer", "model"}, AtLeast: ends}}, grpc.WaitForReady(true))
	}
	var first *reliabilityv1.QueryMtbrResponse
	rig.Until(b, time.Minute, func() string { // the snapshot rests longer while much changes
		if first, err = ask(); err != nil {
			return err.Error()
		}
		return ""
	})
	took := time.Since(start)
	peak := memory(b, m.PID(), "VmHWM")
	b.Logf("sent in %v; %d intervals of %d spindles", sent, first.Basis.Intervals, first.Basis.Spindles)
	record(b, figure{"import of 1 million rows until in the statistics", took.Seconds(), 60, false, "s", "as promised"})
	record(b, figure{"growth of the process by it, peak", peak - before, 150, false, "MB", "as promised"})
	query := median(b, 200, func() error { _, err := ask(); return err })
	record(b, figure{fmt.Sprintf("grouped question over gRPC at %d intervals", first.Basis.Intervals), query.Seconds() * 1000, 10, false, "ms", "as promised (for 1 million)"})
}

// writeHistory writes visits rows a spindle, repairs and readings in turn, in
// order of date as a shop's own system would give them.
func writeHistory(file string, spindles, visits int) error {
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	defer f.Close()
	w := bufio.NewWriterSize(f, 1<<20)
	fmt.Fprintln(w, "kind,record,corrects,recorded_on,shop,customer,maker,model,serial,machine,hours,removed_on,received_on,shipped_on,reason,component,mode,mechanism,cause,warranty_of,outcome,seen_on,source")
	shops := []string{"NOR", "MID", "FAR"}
	customers := []string{"dunmore-gears", "ostrava-moulds", "prairie-valves"}
	models := []string{"Alderwick,Heron 18", "Alderwick,Bittern 8", "Senholt,Plover 12"}
	findings := []string{"front_bearing_set,vibration,surface_fatigue,contamination_coolant", "disc_springs,clamping_force_low,spring_fatigue,wear_expected",
		"winding,insulation_low,insulation_breakdown,contamination_coolant", "front_bearing_set,overheating,lubricant_degradation,lubrication_lack"}
	date := func(days int) string {
		return time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, days).Format(time.DateOnly)
	}
	for v := range visits {
		for s := range spindles {
			day, hours := v*300+s%200, float64(900*v+s%700)+float64(v)*0.5
			record, who := fmt.Sprintf("R%d-%d", v, s), fmt.Sprintf("%s,%s,%s,L%06d", shops[s%3], customers[s%3], models[s/3%3], s)
			if v%2 == 1 {
				fmt.Fprintf(w, "seen,%s,,%s,%s,,%.1f,,,,,,,,,,,%s,meter\n", record, date(day), who, hours, date(day))
				continue
			}
			fmt.Fprintf(w, "repair,%s,,%s,%s,line %d,%.1f,%s,%s,%s,vibration,%s,,repaired,,\n", record, date(day+20), who, s%9, hours,
				date(day), date(day+3), date(day+20), findings[(s+v)%4])
		}
	}
	return w.Flush()
}
