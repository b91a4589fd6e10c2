#!/bin/sh
# Makes what a site's broker needs: an authority, certificates, the broker's configuration and its access list.
#
#   make-site.sh --out DIR --root ROOT --agent AGENT --cell CELL [--cell CELL ...] --broker HOST [--broker ADDRESS ...]
#
#   make-site.sh --out site --root plant --agent edge-1 --cell north --broker edge-1.local --broker 192.168.20.5
#
# ROOT, AGENT and CELL are mqtt.root, agent.id and the cells' ids of the configuration; HOST and ADDRESS are every
# name and address by which clients call the broker. Certificates that are there already are kept, so the same
# command adds a cell later, and after `rm DIR/clients/NAME.*` it renews one. More words: --port (8883), and --etc, the
# folder that the broker reads its configuration from (/etc/mosquitto).
#
# Two agents that stand by for each other: --standby a --standby b, the names of their [standby] sections. SCADA on
# the same broker: --sparkplug GROUP, the group of the [sparkplug] section.
#
# DIR/authority/ca.key signs whoever may enter. Take it off the broker's machine once the certificates are made.
set -eu
umask 077

DAYS_AUTHORITY=3650
DAYS_CERTIFICATE=825
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
out='' root='' agent='' cells='' names='' standbys='' group='' port=8883 etc=/etc/mosquitto

fail() {
    echo "make-site.sh: $1" >&2
    exit 2
}

# One level of a topic, a file's name and a certificate's common name at once: so nothing but these characters.
check_name() {
    case $2 in
    '' | *[!A-Za-z0-9._-]* | .* | -*) fail "$1 may hold letters, digits, . _ and - only, and was '$2'" ;;
    esac
    [ "${#2}" -le 48 ] || fail "$1 may have 48 characters at most, and was '$2'"
}

case "${1:-}" in
-h | --help)
    sed -n '2,/^set -eu/s/^# \{0,1\}//p' "$0"
    exit 0
    ;;
esac
while [ $# -gt 0 ]; do
    [ $# -ge 2 ] || fail "$1 needs a value"
    case $1 in
    --out) out=$2 ;;
    --root) root=$2 ;;
    --agent) check_name --agent "$2" && agent=$2 ;;
    --cell) check_name --cell "$2" && cells="$cells $2" ;;
    --standby) check_name --standby "$2" && standbys="$standbys $2" ;;
    --sparkplug) check_name --sparkplug "$2" && group=$2 ;;
    --broker) check_name --broker "$2" && names="$names $2" ;;
    --port) port=$2 ;;
    --etc) etc=$2 ;;
    *) fail "unknown word '$1'; make-site.sh --help tells them" ;;
    esac
    shift 2
done
[ -n "$out" ] || fail "--out is missing: the folder to write to"
[ -n "$agent" ] || fail "--agent is missing: agent.id of the configuration"
[ -n "$cells" ] || fail "--cell is missing: the id of at least one cell"
[ -n "$names" ] || fail "--broker is missing: a name or address by which clients call the broker"
old_ifs=$IFS
IFS=/
for level in $root; do check_name --root "$level"; done
IFS=$old_ifs
case $root in '' | /* | */ | *//*) fail "--root must be one or more levels such as plant or plant/paint" ;; esac
case $port in '' | *[!0-9]*) fail "--port must be a number, and was '$port'" ;; esac
case $agent in
viewer | maintenance | scada | *-bridge | *-controller | *-sparkplug)
    fail "--agent '$agent' is the name of another user of the broker"
    ;;
esac
for standby in $standbys; do
    case $standby in
    bridge | sparkplug | controller | *-bridge | *-sparkplug | *-controller)
        fail "--standby '$standby' is the name of another user of the broker"
        ;;
    esac
done
command -v openssl >/dev/null || fail "openssl is missing: apt-get install openssl"

mkdir -p "$out/authority" "$out/broker" "$out/clients" "$out/conf.d"

if [ ! -e "$out/authority/ca.key" ]; then
    openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$out/authority/ca.key" 2>/dev/null
    openssl req -new -x509 -key "$out/authority/ca.key" -sha256 -days "$DAYS_AUTHORITY" \
        -subj "/CN=shotgram authority of $agent" \
        -addext "basicConstraints=critical,CA:TRUE,pathlen:0" \
        -addext "keyUsage=critical,keyCertSign,cRLSign" -out "$out/authority/ca.crt"
fi

# sign FILE COMMON_NAME USAGE [SUBJECT_ALT_NAMES]
sign() {
    [ ! -e "$1.crt" ] || return 0
    {
        echo "basicConstraints=critical,CA:FALSE"
        echo "keyUsage=critical,digitalSignature"
        echo "extendedKeyUsage=$3"
        [ -z "${4:-}" ] || echo "subjectAltName=$4"
    } >"$1.ext"
    openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1.key" 2>/dev/null
    openssl req -new -key "$1.key" -sha256 -subj "/CN=$2" -out "$1.csr"
    openssl x509 -req -in "$1.csr" -CA "$out/authority/ca.crt" -CAkey "$out/authority/ca.key" \
        -set_serial "0x$(openssl rand -hex 16)" -sha256 -days "$DAYS_CERTIFICATE" \
        -extfile "$1.ext" -out "$1.crt" 2>/dev/null
    rm -f "$1.csr" "$1.ext"
    chmod 644 "$1.crt"
    echo "made $1.crt for $2"
}

alternatives=''
for name in $names; do
    case $name in
    *[!0-9.]*) kind=DNS ;;
    *) kind=IP ;;
    esac
    alternatives="$alternatives${alternatives:+,}$kind:$name"
done
# A certificate of a client must not pass for the broker's, nor the broker's for a client's.
first=${names# }
sign "$out/broker/broker" "${first%% *}" serverAuth "$alternatives"
sign "$out/clients/$agent" "$agent" clientAuth
sign "$out/clients/$agent-bridge" "$agent-bridge" clientAuth
sign "$out/clients/viewer" viewer clientAuth
sign "$out/clients/maintenance" maintenance clientAuth
for cell in $cells; do
    sign "$out/clients/$cell-controller" "$cell-controller" clientAuth
done
for standby in $standbys; do
    sign "$out/clients/$agent-$standby" "$agent-$standby" clientAuth
done
if [ -n "$group" ]; then
    sign "$out/clients/$agent-sparkplug" "$agent-sparkplug" clientAuth
    sign "$out/clients/scada" scada clientAuth
fi
cp "$out/authority/ca.crt" "$out/broker/ca.crt"
cp "$out/authority/ca.crt" "$out/clients/ca.crt"
chmod 644 "$out/authority/ca.crt" "$out/broker/ca.crt" "$out/clients/ca.crt"

# filled [CELL [STANDBY]]
filled() {
    sed -e "s|{root}|$root|g" -e "s|{agent}|$agent|g" -e "s|{group}|$group|g" -e "s|{cell}|${1:-}|g" \
        -e "s|{standby}|${2:-}|g"
}
# each_cell [STANDBY]: a line that names the cell is there once for each
each_cell() {
    while IFS= read -r line; do
        case $line in
        *'{cell}'*) for cell in $cells; do echo "$line" | filled "$cell" "${1:-}"; done ;;
        *) echo "$line" | filled '' "${1:-}" ;;
        esac
    done
}
{
    each_cell <"$here/mosquitto/shotgram.acl.in"
    for cell in $cells; do filled "$cell" <"$here/mosquitto/controller.acl.in"; done
    for standby in $standbys; do each_cell "$standby" <"$here/mosquitto/standby.acl.in"; done
    [ -z "$group" ] || filled <"$here/mosquitto/sparkplug.acl.in"
} >"$out/shotgram.acl"
sed -e "s|{etc}|$etc|g" -e "s|{port}|$port|g" "$here/mosquitto/shotgram.conf.in" >"$out/conf.d/shotgram.conf"
chmod 755 "$out/conf.d"
chmod 644 "$out/conf.d/shotgram.conf"
echo "wrote $out/shotgram.acl and $out/conf.d/shotgram.conf"
echo "Now take $out/authority/ca.key to a safe place that is not on this network."
