package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
)

// invite says where the running site is and what to try next.
func (d *demo) invite(ctx context.Context, kept bool) error {
	folder, names, err := d.writeTokens(ctx)
	if err != nil {
		return err
	}
	wright := cmp.Or(d.out.Self, "wright")
	engineer := filepath.Join(folder, "engineer.token")
	data := d.data + " (removed at the end; --data DIR keeps it)"
	if kept {
		data = d.data
	}
	_, err = fmt.Fprintf(d.out.Out, `
Serving until interrupted
  gRPC             %s
  operator's HTTP  http://%s/metrics, /healthz, /readyz
  data             %s
  tokens           %s: %d files, one for each person of the demo
  first operator   %s
Try
  %s query modes --to %s --token-file %s --by lubrication
  %s query mtbr --to %s --token-file %s --filter 'customer = "harrow-mills"' --by model --json
  %s import %s --to %s --token-file %s
`, d.site.GRPCAddr(), d.site.OpsAddr(), data, folder, len(names), d.site.OperatorTokenFile(),
		wright, d.site.GRPCAddr(), engineer, wright, d.site.GRPCAddr(), engineer,
		wright, filepath.Join(d.data, "history.csv"), d.site.GRPCAddr(), filepath.Join(folder, "steward.token"))
	return err
}
