#!/bin/sh
# Checks everything that can be checked without the real hardware; the same command here and in CI.
#
#   sh packaging/test.sh                   all but the benchmarks
#   sh packaging/test.sh PYTEST-ARGUMENT... only pytest, with these arguments (tests/benchmarks among them, if named)
#
# Tests that need QEMU, a browser, Prometheus or a second witness (lspci, the kernel's headers, the samples named by
# LANEPROOF_REFERENCE) are skipped, with the reason, where those may not be installed; LANEPROOF_REQUIRE_VM=1,
# LANEPROOF_REQUIRE_BROWSER=1, LANEPROOF_REQUIRE_SERVICES=1 and LANEPROOF_REQUIRE_WITNESS=1 make such a skip a failure.
# LANEPROOF_CACHE names the folder for the tests' kernel and images (default: .cache in the checkout).
set -eu
checkout=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$checkout/packaging/environment.sh"
cd "$checkout"

RUN_TIME_PACKAGES="smartmontools pci.ids libudev1"
VM_PACKAGES="qemu-system-x86 busybox-static kmod cpio util-linux pciutils udev iproute2 mdadm fio btrfs-progs dmidecode"
BROWSER_PACKAGES="chromium"
SERVICE_PACKAGES="prometheus prometheus-alertmanager systemd"
# What is installed, read by what will read it.
INSTALL_PACKAGES="python3-venv man-db zsh fish lintian rpm"
# Where another Python can matter: files, SQLite, threads, arguments, JSON. The rest is arithmetic on plain values.
INTERPRETER_TESTS="tests/collectors/test_live_host.py tests/collectors/test_hung_devices.py
    tests/collectors/test_journal.py tests/daemon/commands tests/daemon/history tests/daemon/service tests/daemon/test_cli.py
    tests/contracts/test_commands_and_statuses.py tests/test_docs.py"
# What says the same of the same input: other programs, and the kernel's headers.
WITNESS_PACKAGES="linux-libc-dev pciutils pci.ids dmidecode kmod util-linux udev mdadm"

is_prepared dev || prepare_environment dev '.[dev]'
# shellcheck disable=SC2086 # lists of words
{
    install_packages "for the collectors' tests" $RUN_TIME_PACKAGES || true
    install_packages "for the tests in an emulated machine" $VM_PACKAGES || true
    install_packages "for the page's tests" $BROWSER_PACKAGES || true
    install_packages "for the tests with real services" $SERVICE_PACKAGES || true
    install_packages "for the tests of what is installed" $INSTALL_PACKAGES || true
    install_packages "for the tests with a second witness" $WITNESS_PACKAGES || true
}
# The emulated machine's kernel is fetched by apt, which needs its lists for that.
if [ -z "$(find "${LANEPROOF_CACHE:-.cache}/kernel" -name 'vmlinuz-*' 2>/dev/null)" ] && may_install; then
    as_root apt-get -q update >/dev/null 2>&1 || say "apt-get update failed: the emulated machine's kernel may be out of reach"
fi

PATH=$checkout/.venv/bin:$PATH
export PATH
[ $# -eq 0 ] || exec python -m pytest "$@"

failed=""
summary=""

# stage NAME COMMAND...: runs a check, times it, and goes on whatever came of it.
stage() {
    name=$1
    shift
    printf '\n== %s\n' "$name"
    began=$(date +%s)
    if "$@"; then result=passed; else
        result=failed
        failed="$failed $name,"
    fi
    summary="$summary
  $result  $name ($(($(date +%s) - began)) s)"
}

# with_python PYTHON: runs the tests that meet the interpreter and its library with another Python than .venv's.
with_python() {
    version=$("$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
    other=${LANEPROOF_CACHE:-.cache}/python-$version
    if [ "$(cat "$other/stamp" 2>/dev/null)" != "$(environment_key)" ]; then
        "$1" -m venv --clear "$other" || return 1
        "$other/bin/python" -m pip install -q --disable-pip-version-check --editable '.[dev]' || return 1
        environment_key >"$other/stamp"
    fi
    # shellcheck disable=SC2086 # a list of words
    "$other/bin/python" -m pytest -q -n "$(nproc)" -m "not ($machine or worlds)" $INTERPRETER_TESTS
}

machine="vm or browser or services"
stage "ruff check" ruff check .
stage "ruff format" ruff format --check .
stage "mypy" mypy
stage "import arrows" lint-imports
rm -f .coverage .coverage.*
stage "pure tests" coverage run -m pytest -q -n "$(nproc)" -m "not ($machine or worlds)" --ignore=tests/benchmarks
stage "a simulated box of each kind" python -m pytest -q -n "$(nproc)" -m worlds tests/simulation
own_version=$(python -c 'import sys; print("%d.%d" % sys.version_info[:2])')
other_pythons=$(find_other_pythons "$own_version")
for python in $other_pythons; do
    stage "pure tests with $("$python" --version)" with_python "$python"
done
[ -n "$other_pythons" ] || summary="$summary
  skipped  pure tests with another Python (this machine has none but $own_version)"
# One after another: two machines emulated at once on few processors keep each other from their deadlines.
stage "tests with a real kernel, browser and services" \
    coverage run -m pytest -q --durations=10 -m "$machine" --ignore=tests/benchmarks
coverage combine -q
stage "coverage" coverage report --skip-covered --sort=cover

printf '\n== %s\n' "all checks"
printf '%s\n' "${summary#?}"
if [ -n "$failed" ]; then
    printf 'FAILED:%s\n' "${failed%,}"
    exit 1
fi
printf 'all passed\n'
