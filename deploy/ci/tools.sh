#!/usr/bin/env bash
# Builds the tools of deploy/tools at their pinned versions and prints the
# folder they are in. go build leaves alone what is up to date.
#   tools.sh NAME...     names of folders in deploy/tools
set -euo pipefail
cd "$(dirname "$0")/../.."

declare -A main=(
  [buf]=github.com/bufbuild/buf/cmd/buf
  [golangci]=github.com/golangci/golangci-lint/v2/cmd/golangci-lint
  [s3]=github.com/versity/versitygw/cmd/versitygw
)
cache="${XDG_CACHE_HOME:-${HOME:-/tmp}/.cache}/spindlewright-tools"
mkdir -p "$cache"
for name in "$@"; do
  go build -C "deploy/tools/$name" -o "$cache/$name" "${main[$name]}"
done
echo "$cache"
