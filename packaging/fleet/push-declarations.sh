#!/bin/sh
# Pushes declarations to boxes, and writes what Prometheus is to compare with.
#
#   sh push-declarations.sh [-n] FOLDER RULES
#
#   -n       push nothing: only check, and write RULES
#   FOLDER   holds HOST.toml for each box: HOST is where ssh finds it as root, and the declaration's box.name
#   RULES    the file of Prometheus rules to write; Prometheus reads it when it is asked to reload
#
# All are checked before any is pushed. What a box had before is kept there as build.toml.before; a box that cannot be
# reached is named, and the others go on. Ends with 0; 65: a declaration is wrong; 69: not every box has its own.
set -eu
pushes=yes
[ "${1:-}" != -n ] || { pushes=no && shift; }
[ $# -eq 2 ] || { echo "usage: push-declarations.sh [-n] FOLDER RULES" >&2 && exit 64; }
folder=$1 rules=$2 failed=0

checksum() { sha256sum <"$1" | cut -d ' ' -f 1; }

# Puts standard input in place once it has arrived whole. A new file by renaming: the service never sees half of one.
receive='set -e
cd /etc/laneproof
umask 022
cat >build.toml.pushed
echo "$1  build.toml.pushed" | sha256sum --check --status
if cmp -s build.toml build.toml.pushed; then rm build.toml.pushed; exit; fi
[ ! -e build.toml ] || cp -p build.toml build.toml.before
mv build.toml.pushed build.toml'

for file in "$folder"/*.toml; do
    host=$(basename "$file" .toml)
    status=0
    desk=$(laneproof budget --json "$file") || status=$?
    [ "$status" -le 1 ] || exit 65 # what is wrong with it was said
    printf '%s' "$desk" | grep -qF "\"box\": \"$host\"" ||
        { echo "$file: its box.name is not $host" >&2 && exit 65; }
done
{
    echo "groups:"
    echo "  - name: laneproof-declarations"
    echo "    rules:"
    for file in "$folder"/*.toml; do
        echo "      - record: laneproof:declaration_pushed"
        echo "        expr: vector(1)"
        echo "        labels: { box: \"$(basename "$file" .toml)\", checksum: \"$(checksum "$file")\" }"
    done
} >"$rules.new"
mv "$rules.new" "$rules"
[ "$pushes" = yes ] || exit 0
for file in "$folder"/*.toml; do
    host=$(basename "$file" .toml)
    if ssh -o BatchMode=yes "root@$host" sh -c "'$receive'" push "$(checksum "$file")" <"$file"; then
        echo "$host: has it"
    else
        echo "$host: does not have it" >&2
        failed=1
    fi
done
[ "$failed" -eq 0 ] || exit 69
