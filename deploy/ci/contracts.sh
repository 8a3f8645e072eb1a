#!/usr/bin/env bash
# Checks the contracts in proto/: style, format, and that nothing breaks a
# client of the baseline, which is the image committed as proto/baseline.binpb.
#   contracts.sh             check
#   contracts.sh --advance   make the contracts at hand the new baseline; a
#                            decision about clients, so it is a commit of its own
set -euo pipefail
cd "$(dirname "$0")/../.."

deploy/ci/proto.sh
buf="$(deploy/ci/tools.sh buf)/buf"
image() { "$buf" build --path proto/spindlewright --exclude-source-info -o "$1"; }

if [ "${1:-}" = --advance ]; then
  image proto/baseline.binpb
  exit 0
fi
now=$(mktemp -d)
trap 'rm -rf "$now"' EXIT
"$buf" lint
"$buf" format --diff --exit-code proto
image "$now/contracts.binpb"
"$buf" breaking "$now/contracts.binpb" --against proto/baseline.binpb
