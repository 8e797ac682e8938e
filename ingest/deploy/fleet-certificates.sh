#!/bin/sh
# The fleet's own certificate authority. Keep its folder off the broker's machine, and backed up:
# whoever has authority.key can be any gateway.
#
#   fleet-certificates.sh DIR authority          once: authority.pem, authority.key, revoked.pem
#   fleet-certificates.sh DIR server NAME...     server.pem, server.key; names or addresses of it
#   fleet-certificates.sh DIR gateway ID         ID.pem, ID.key; the common name is the id
#   fleet-certificates.sh DIR ingest             fleet.ingest.pem, fleet.ingest.key
#   fleet-certificates.sh DIR revoke NAME        NAME's certificate into revoked.pem
#   fleet-certificates.sh DIR renew-list         revoked.pem anew, before its date passes
#
# DAYS (default 825) is the life of a certificate, LIST_DAYS (default 90) that of revoked.pem.
# PERIOD="-startdate YYYYMMDDHHMMSSZ -enddate YYYYMMDDHHMMSSZ" sets both ends of a life instead.
set -eu
umask 077 # the keys are for their owner alone

fail() {
    printf '%s\n' "$1" >&2
    exit "${2:-3}"
}

usage() {
    fail "usage: $0 DIR authority | server NAME... | gateway ID | ingest | revoke NAME | renew-list" 2
}

settings() { # settings: what `openssl ca` needs to know, with DIR in it
    cat <<END
[ca]
default_ca = fleet
[fleet]
database = $dir/issued.txt
new_certs_dir = $dir/issued
serial = $dir/serial
crlnumber = $dir/list-number
certificate = $dir/authority.pem
private_key = $dir/authority.key
default_md = sha256
default_days = ${DAYS:-825}
default_crl_days = ${LIST_DAYS:-90}
unique_subject = no
policy = named
[named]
commonName = supplied
[req]
distinguished_name = empty
[empty]
[authority]
basicConstraints = critical, CA:true, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[client]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = clientAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[server]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = ${names:-DNS:localhost}
END
}

new_key() { # new_key FILE: P-256, which the smallest gateway computes with ease
    openssl ecparam -name prime256v1 -genkey -noout -out "$1"
}

new_list() {
    openssl ca -config "$dir/authority.conf" -gencrl -out "$dir/revoked.new" 2>/dev/null
    mv "$dir/revoked.new" "$dir/revoked.pem"
}

issue() { # issue FILE COMMON-NAME KIND: a key and a certificate, never over an older one
    [ -e "$dir/authority.key" ] || fail "$dir: no authority there, expected authority.key"
    [ ! -e "$dir/$1.key" ] || fail "$dir/$1.key: is there, expected none; move it away first"
    settings >"$dir/authority.conf"
    new_key "$dir/$1.key"
    openssl req -new -config "$dir/authority.conf" -key "$dir/$1.key" -subj "/CN=$2" \
        -out "$dir/$1.request"
    # shellcheck disable=SC2086 # two words, or none
    if ! openssl ca -batch -notext -config "$dir/authority.conf" -extensions "$3" ${PERIOD:-} \
        -in "$dir/$1.request" -out "$dir/$1.pem" 2>"$dir/$1.log"; then
        cat "$dir/$1.log" >&2
        rm -f "$dir/$1.key" "$dir/$1.pem" "$dir/$1.request" "$dir/$1.log"
        fail "$1: not issued"
    fi
    rm -f "$dir/$1.request" "$dir/$1.log"
    printf '%s\n' "$dir/$1.pem"
}

is_gateway_id() { # as the wire contract has it: [a-z0-9][a-z0-9-]{0,31}
    case $1 in
    '' | -* | *[!a-z0-9-]*) return 1 ;;
    esac
    [ "${#1}" -le 32 ]
}

names=
LC_ALL=C
export LC_ALL
[ "$#" -ge 2 ] || usage
mkdir -p "$1"
dir=$(cd "$1" && pwd)
command=$2
shift 2

case $command:$# in
authority:0)
    [ ! -e "$dir/authority.key" ] || fail "$dir: has an authority already, expected an empty folder"
    mkdir -p "$dir/issued"
    : >"$dir/issued.txt"
    echo 1000 >"$dir/serial"
    echo 1000 >"$dir/list-number"
    settings >"$dir/authority.conf"
    new_key "$dir/authority.key"
    openssl req -x509 -new -config "$dir/authority.conf" -key "$dir/authority.key" \
        -subj "/CN=fleet authority" -days 3650 -extensions authority -out "$dir/authority.pem"
    new_list
    printf '%s\n' "$dir/authority.pem"
    ;;
server:[1-9]*)
    for name; do
        case $name in
        '' | *[!A-Za-z0-9.:-]*) fail "server: '$name', expected a host name or an address" ;;
        *[!0-9.]*:* | *:*) name=IP:$name ;;
        *[!0-9.]*) name=DNS:$name ;;
        *) name=IP:$name ;;
        esac
        names=${names:+$names,}$name
    done
    issue server "$1" server
    ;;
gateway:1)
    is_gateway_id "$1" || fail "gateway: '$1', expected a to z, 0 to 9 and '-', at most 32"
    case $1 in
    authority | server) fail "gateway: '$1' is a name of this folder's own, expected another" ;;
    esac
    issue "$1" "$1" client
    ;;
ingest:0)
    issue fleet.ingest fleet.ingest client
    ;;
revoke:1)
    case $1 in
    */* | .* | '') fail "revoke: '$1', expected the name of a certificate in $dir" ;;
    esac
    [ -e "$dir/$1.pem" ] || fail "revoke: $dir/$1.pem is not there"
    settings >"$dir/authority.conf"
    openssl ca -config "$dir/authority.conf" -revoke "$dir/$1.pem" 2>/dev/null ||
        fail "revoke: '$1' is revoked already, or not of this authority"
    new_list
    printf '%s\n' "$dir/revoked.pem"
    ;;
renew-list:0)
    settings >"$dir/authority.conf"
    new_list
    printf '%s\n' "$dir/revoked.pem"
    ;;
*) usage ;;
esac
