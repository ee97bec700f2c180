#!/bin/sh
# Makes certificates to try the broker's TLS with: an authority, one for the broker, one for the service, one for each
# gateway. FOR DEMONSTRATIONS ONLY: the authority's key lies unencrypted beside the rest, nothing is ever revoked or
# renewed, and who reads the folder can be anybody. For a plant take the site's own authority.
#
#   deploy/demo-certificates.sh [-d DAYS] [-n NAME]... [-s SERVICE] FOLDER GATEWAY...
#
#   -d DAYS      how long they hold, 1 to 397 (30)
#   -n NAME      name or IPv4 address of the broker, as clients write it; may be repeated (localhost 127.0.0.1)
#   -s SERVICE   account of the service (dustcake)
#   FOLDER       is made, and must not be there yet: nothing is ever overwritten
#   GATEWAY      id of a gateway; its certificate's common name (CN), by which the broker's access list knows it
#
# Needs openssl 1.1.1 or newer. Makes in FOLDER: ca.pem ca.key server.pem server.key, and NAME.pem NAME.key in clients/.
set -eu
umask 077
export LC_ALL=C

fail() {
    printf 'demo-certificates: %s\n' "$1" >&2
    exit "${2:-1}"
}

is_id() {
    # As in the plant file: small letters, digits and hyphens. What else stood in a common name could get into a topic.
    [ "${#1}" -le 64 ] && case $1 in '' | -* | *[!a-z0-9-]*) false ;; esac
}

is_address() {
    case $1 in *[!0-9.]* | *.*.*.*.*) false ;; *.*.*.*) true ;; *) false ;; esac
}

days=30 names='' service=dustcake
while getopts d:n:s: option; do
    case $option in
        d) days=$OPTARG ;;
        n)
            case $OPTARG in
                '' | *[!A-Za-z0-9.-]*) fail "-n '$OPTARG': expected a host name or IPv4 address; correct it" 2 ;;
            esac
            if is_address "$OPTARG"; then names=$names,IP:$OPTARG; else names=$names,DNS:$OPTARG; fi
            ;;
        s) service=$OPTARG ;;
        *) fail "expected [-d DAYS] [-n NAME]... [-s SERVICE] FOLDER GATEWAY..." 2 ;;
    esac
done
shift $((OPTIND - 1))
[ $# -ge 2 ] || fail "expected a folder and at least one gateway; give them" 2
case $days in '' | *[!0-9]* | ????*) days=0 ;; esac
{ [ "$days" -ge 1 ] && [ "$days" -le 397 ]; } || fail "-d: expected 1 to 397 days; correct it" 2
folder=${1%/}
shift
for id in "$service" "$@"; do
    is_id "$id" || fail "'$id': expected an id of small letters, digits and hyphens; correct it" 2
done
[ ! -e "$folder" ] && [ ! -L "$folder" ] || fail "$folder: is there already; expected a new folder; name another"
command -v openssl >/dev/null || fail "openssl: not found; install it"

# All is made beside its place and moved there at the end, so that a half-made folder is never used.
made=$(mktemp -d "$folder.XXXXXX") || fail "$folder: cannot be made there; name another place"
trap 'rm -rf "$made"' EXIT
trap 'exit 1' HUP INT TERM
mkdir "$made/clients"

key() {
    openssl genpkey -quiet -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1" 2>/dev/null ||
        openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1" 2>/dev/null ||
        fail "openssl: makes no key"
}

# certificate NAME COMMON-NAME EXTENSIONS: NAME.key and NAME.pem, signed by the authority
certificate() {
    [ ! -e "$made/$1.key" ] || fail "'$2': named twice; expected each id once, the service's too; correct it" 2
    key "$made/$1.key"
    printf '%s\n' 'basicConstraints = critical, CA:FALSE' 'keyUsage = critical, digitalSignature' \
        'subjectKeyIdentifier = hash' 'authorityKeyIdentifier = keyid' "$3" >"$made/extensions"
    openssl req -new -key "$made/$1.key" -subj "/CN=$2" -out "$made/request" &&
        openssl x509 -req -in "$made/request" -CA "$made/ca.pem" -CAkey "$made/ca.key" -sha256 -days "$days" \
            -set_serial "0x00$(openssl rand -hex 16)" -extfile "$made/extensions" -out "$made/$1.pem" 2>/dev/null ||
        fail "openssl: makes no certificate for $2"
}

key "$made/ca.key"
printf '%s\n' '[req]' 'distinguished_name = none' 'prompt = no' '[none]' '[authority]' \
    'basicConstraints = critical, CA:TRUE, pathlen:0' 'keyUsage = critical, keyCertSign, cRLSign' \
    'subjectKeyIdentifier = hash' >"$made/config"
openssl req -x509 -new -config "$made/config" -extensions authority -key "$made/ca.key" -sha256 -days "$days" \
    -subj "/O=DEMONSTRATION ONLY/CN=dustcake demo authority" -out "$made/ca.pem" || fail "openssl: makes no authority"

names=${names:-,DNS:localhost,IP:127.0.0.1}
common=${names#,*:}
certificate server "${common%%,*}" "extendedKeyUsage = serverAuth
subjectAltName = ${names#,}"
for id in "$service" "$@"; do
    certificate "clients/$id" "$id" 'extendedKeyUsage = clientAuth'
done
rm "$made/extensions" "$made/request" "$made/config"
chmod 0644 "$made"/*.pem "$made"/clients/*.pem
mv -T "$made" "$folder" 2>/dev/null || fail "$folder: cannot be made there, or has come meanwhile; name another place"
trap - EXIT

printf 'FOR DEMONSTRATIONS ONLY, for %s days, in %s\n' "$days" "$folder"
found=$(openssl x509 -in "$folder/server.pem" -noout -fingerprint -sha256)
printf 'certificate_sha256 = ["%s"]\n' "${found#*=}"
