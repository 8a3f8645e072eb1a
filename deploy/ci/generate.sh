#!/usr/bin/env bash
# Regenerates pkg/gen from proto/.
#   generate.sh          write pkg/gen
#   generate.sh --check  write nothing, fail when pkg/gen is not what comes out
set -euo pipefail
cd "$(dirname "$0")/../.."

deploy/ci/proto.sh
buf="$(deploy/ci/tools.sh buf)/buf"
out=$(mktemp -d)
trap 'rm -rf "$out"' EXIT
"$buf" generate --template proto/buf.gen.yaml -o "$out"

if [ "${1:-}" = --check ]; then
  if ! diff -r -q "$out/pkg/gen" pkg/gen; then
    echo "generate: pkg/gen is not what proto/ gives; run deploy/ci/generate.sh and commit" >&2
    exit 1
  fi
  exit 0
fi
rm -rf pkg/gen
cp -r "$out/pkg/gen" pkg/gen
