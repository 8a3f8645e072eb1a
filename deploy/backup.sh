#!/usr/bin/env bash
# Backs up an installation while it runs.
#   backup.sh DATA OUT     DATA: data folder; OUT: a folder that does not exist yet
# SQLite stores are copied by VACUUM INTO, which sees one moment of each; with
# SPINDLEWRIGHT_SQL_URL set, PostgreSQL is dumped instead. Files come after the
# stores, because a row is written after its file: every row then finds its file
# in the backup. Streams are left out: they are published again from the stores.
# OUT holds keys and personal data; keep it as you keep the data folder.
set -euo pipefail
umask 077

data=${1:?usage: backup.sh DATA OUT}
out=${2:?usage: backup.sh DATA OUT}
[ -d "$data" ] || { echo "backup: $data is no folder" >&2; exit 1; }
data=$(cd "$data" && pwd)
[ ! -e "$out" ] || { echo "backup: $out exists; give a folder that does not" >&2; exit 1; }
mkdir -p "$out.part"
trap 'rm -rf "$out.part"' EXIT

if [ -n "${SPINDLEWRIGHT_SQL_URL:-}" ]; then
  pg_dump --format=custom --file="$out.part/spindlewright.dump" "$SPINDLEWRIGHT_SQL_URL"
else
  for store in "$data"/*/*.db; do
    [ -e "$store" ] || { echo "backup: no SQLite store below $data; set SPINDLEWRIGHT_SQL_URL for PostgreSQL" >&2; exit 1; }
    to="$out.part/${store#"$data"/}"
    mkdir -p "$(dirname "$to")"
    sqlite3 "file:$store?mode=ro" ".timeout 30000" "VACUUM INTO '${to//\'/\'\'}'"
    [ "$(sqlite3 "$to" 'PRAGMA integrity_check')" = ok ] || { echo "backup: the copy of $store is damaged" >&2; exit 1; }
  done
fi

# Keys, and files that lie in the data folder; a bucket has its own backup.
(cd "$data" && find . \( -path './bus' -o -name '*.db' -o -name '*.db-wal' -o -name '*.db-shm' -o -name '*.lock' -o -name .incoming \) -prune \
  -o -type f -print0) | tar -C "$data" --null -T - -cf - | tar -C "$out.part" -xpf -

sync -f "$out.part"
mv "$out.part" "$out"
trap - EXIT
du -sh "$out"
