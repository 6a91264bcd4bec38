#!/bin/sh
# Runs laneproof from this checkout: makes a private Python environment at first use, then hands on the arguments.
#
#   sh packaging/run.sh                    audit this machine; where it has no NVMe drive, show the demo box
#   sh packaging/run.sh ARGUMENT...        the same as: laneproof ARGUMENT...
#
# Ends with laneproof's own exit status, or with 69 where it could not be made to run.
set -eu
checkout=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$checkout/packaging/environment.sh"

if ! is_prepared run; then
    # Without these it still runs, and says of each thing that it could not read.
    install_packages "to read drives through smartctl and to name devices" smartmontools pci.ids libudev1 || true
    prepare_environment run .
fi
laneproof=$checkout/.venv/bin/laneproof

[ $# -eq 0 ] || exec "$laneproof" "$@"

for controller in /sys/class/nvme/nvme*; do
    [ ! -e "$controller" ] || exec "$laneproof" audit
done

status=0
"$laneproof" audit --demo || status=$?
cat <<'END'

This machine has no NVMe drive, so the above is the demo box, kelp-1.
On a storage box, write down what it is meant to be, then audit it (as root, so that drives can be asked):
    sh packaging/run.sh draft -o build.toml      a declaration of the machine as it stands; read it and correct it
    sh packaging/run.sh audit --build build.toml
END
exit "$status"
