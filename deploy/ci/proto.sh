#!/usr/bin/env bash
# Links the validation rules that the contracts import into .proto-deps, which
# is ignored. They come as a Go module; nothing imports it, so go.sum does not
# keep its hash, and it is compared here.
set -euo pipefail
cd "$(dirname "$0")/../.."

module=github.com/bufbuild/protovalidate@v1.2.2
want='h1:2H/9/Kr97etSRqW3IJjTTb09z+zutkK2GDhDRbOnqr4='

field() { sed -n "s/^.*\"$1\": \"\(.*\)\".*\$/\1/p" <<<"$json"; }
json=$(go mod download -json "$module")
if [ "$(field Sum)" != "$want" ]; then
  echo "proto: $module has the hash $(field Sum), want $want" >&2
  exit 1
fi
mkdir -p .proto-deps
ln -sfn "$(field Dir)/proto/protovalidate" .proto-deps/protovalidate
