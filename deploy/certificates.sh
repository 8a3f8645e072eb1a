#!/usr/bin/env bash
# Makes a private certificate authority and one certificate for the services'
# gRPC listeners, for an installation that has no authority of its own.
#   certificates.sh DIR NAME...    NAME: host names and addresses of the services
# Writes DIR/ca.crt, DIR/tls.crt, DIR/tls.key and DIR/internal.key (the key that
# services sign calls to each other with). What exists is kept; run it again
# with an empty DIR/tls.crt to renew. The authority's key stays in DIR/ca.key:
# move it off the machine.
set -euo pipefail
umask 077

dir=${1:?usage: certificates.sh DIR NAME...}
shift
[ $# -gt 0 ] || { echo "name at least one host: certificates.sh $dir localhost" >&2; exit 2; }
mkdir -p "$dir"

names=
for name in "$@"; do
  case $name in
    *[!0-9.]*) names+=",DNS:$name" ;;
    *) names+=",IP:$name" ;;
  esac
done

if [ ! -s "$dir/ca.key" ]; then
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 3650 \
    -subj "/CN=Spindlewright services" -keyout "$dir/ca.key" -out "$dir/ca.crt" \
    -addext basicConstraints=critical,CA:TRUE -addext keyUsage=critical,keyCertSign,cRLSign 2>/dev/null
fi
if [ ! -s "$dir/tls.crt" ]; then
  openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$1" \
    -keyout "$dir/tls.key" -out "$dir/tls.csr" 2>/dev/null
  openssl x509 -req -in "$dir/tls.csr" -CA "$dir/ca.crt" -CAkey "$dir/ca.key" -CAcreateserial -days 397 \
    -out "$dir/tls.crt" -extfile <(printf 'subjectAltName=%s\nextendedKeyUsage=serverAuth,clientAuth\n' "${names#,}") 2>/dev/null
  rm -f "$dir/tls.csr" "$dir/ca.srl"
fi
[ -s "$dir/internal.key" ] || openssl genpkey -algorithm ed25519 -out "$dir/internal.key"
chmod 644 "$dir/ca.crt" "$dir/tls.crt"
echo "made $dir/ca.crt, tls.crt for ${names#,}, tls.key, internal.key"
