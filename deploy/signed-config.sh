#!/bin/sh
# A configuration that counts only when somebody signed it, and that cannot be put back to an older one.
#
#   signed-config.sh check CONFIG SIGNERS STATE_DIR OUT
#
# CONFIG has its signature beside it (CONFIG.sig) and a line `# version: N`, N a whole number that grows with each
# change. SIGNERS is an allowed_signers file (ssh-keygen(1)). What was verified is copied to OUT, and only OUT is read
# by the agent, so that nobody can change the file in between. The highest version that was ever accepted is kept in
# STATE_DIR. Anything wrong: exit status 2, nothing is written, the service does not start.
#
# To sign, on the machine of whoever may:
#   ssh-keygen -t ed25519 -f site-signer                          # once
#   echo "configuration $(cat site-signer.pub)" > signers         # once; to /etc/shotgram/signers
#   ssh-keygen -Y sign -f site-signer -n shotgram-configuration cell.toml
set -eu
umask 077

fail() {
    echo "signed-config.sh: $1; the configuration is refused" >&2
    exit 2
}

[ $# -eq 5 ] && [ "$1" = check ] || fail "usage: signed-config.sh check CONFIG SIGNERS STATE_DIR OUT"
config=$2 signers=$3 state=$4 out=$5
work=$(mktemp -d) || fail "no temporary folder could be made"
trap 'rm -rf "$work"' EXIT
# One copy is verified and handed over: the file itself may change at any time.
cp -- "$config" "$work/config" || fail "$config cannot be read"
cp -- "$config.sig" "$work/config.sig" || fail "$config.sig cannot be read"
ssh-keygen -Y verify -f "$signers" -I configuration -n shotgram-configuration -s "$work/config.sig" \
    <"$work/config" >/dev/null 2>&1 || fail "the signature of $config is not that of a signer in $signers"

version=$(sed -n 's/^# version: \([0-9]\{1,9\}\)$/\1/p' "$work/config")
case $version in '' | *[!0-9]*) fail "$config needs exactly one line '# version: N'" ;; esac
seen=0
if [ -e "$state/config-version" ]; then
    seen=$(cat -- "$state/config-version")
    case $seen in '' | *[!0-9]*) fail "$state/config-version holds no number" ;; esac
fi
[ "$version" -ge "$seen" ] || fail "$config has version $version, and version $seen was in use already"

echo "$version" >"$state/config-version.new"
sync -- "$state/config-version.new"
mv -- "$state/config-version.new" "$state/config-version"
mv -- "$work/config" "$out.new"
mv -- "$out.new" "$out"
echo "configuration $config, version $version, is signed"
