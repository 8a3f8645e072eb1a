#!/usr/bin/env bash
# Installs what the tests and checks need beside Go, and only what is missing:
# a machine that has everything is not asked for the network. Debian and
# relatives; elsewhere it says what to install by hand.
set -euo pipefail

missing=()
compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || command -v initdb >/dev/null || missing+=(postgresql)
command -v cc >/dev/null || missing+=(gcc libc6-dev) # the race detector links with it
for tool in git openssl sqlite3; do
  command -v $tool >/dev/null || missing+=($tool)
done

if [ ${#missing[@]} -eq 0 ]; then
  echo "install: everything is there"
  exit 0
fi
echo "install: missing ${missing[*]}"
if ! command -v apt-get >/dev/null; then
  echo "install: no apt-get here: install by hand what Debian calls ${missing[*]}" >&2
  exit 1
fi
if [ "$(id -u)" != 0 ]; then
  echo "install: run as root: apt-get install ${missing[*]}" >&2
  exit 1
fi

# The package would set up and start a cluster of its own; tests start theirs.
if [[ " ${missing[*]} " == *" postgresql "* ]]; then
  mkdir -p /etc/postgresql-common
  conf=/etc/postgresql-common/createcluster.conf
  grep -qs '^create_main_cluster' $conf || echo 'create_main_cluster = false' >>$conf
fi

export DEBIAN_FRONTEND=noninteractive
apt-get update -q </dev/null
apt-get install -q -y --no-install-recommends -o Dpkg::Options::=--force-confold "${missing[@]}" </dev/null
