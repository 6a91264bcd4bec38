#!/bin/sh
# Installs laneproof from this checkout, or brings an installed one up to date; run it as root.
#
#   sh packaging/install.sh              install, or upgrade: configuration and history stay as they are
#   sh packaging/install.sh --remove     take the program away; configuration and history stay
#   sh packaging/install.sh --purge      take configuration and history away too
#
# Environment:
#   PREFIX    the program's own folder, an environment of Python with all that it needs (/opt/laneproof)
#   SYSTEM    where the command, units, manual, completions, docs and Prometheus rules go: below bin, lib/systemd/system
#             and share (/usr/local)
#   DESTDIR   put everything below this folder instead, and start nothing: for packages
#   PYTHON    the Python to use (the system's own, if it is 3.11 or newer)
#
# It fetches Python packages while it installs; what is installed needs no network. Ends with 0, or with a number of
# sysexits.h and a sentence that says what is wrong; the program that was installed before is then in place, whole. A new
# one is put beside it, asked for its version, and only then takes its place.
set -eu
umask 022 # every user may run what is installed, and the notifier is one
checkout=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$checkout/packaging/environment.sh"

PREFIX=${PREFIX:-/opt/laneproof}
SYSTEM=${SYSTEM:-/usr/local}
DESTDIR=${DESTDIR:-}
CONFIGURATION=/etc/laneproof
STATE=/var/lib/laneproof
DROP_INS=/etc/systemd/system/laneproof
PREFIX=${PREFIX%/}
LIST=installed-files # in PREFIX: every file outside of it that belongs to the program
home=$DESTDIR$PREFIX
fresh=$home.being-installed # until it takes its place
former=$home.being-replaced # until it is in place
UNITS=$(cd "$checkout/systemd" && echo *)

stop() {
    say "$1"
    exit "$2"
}

# Whether the units are those of a systemd that runs here.
has_systemd() { [ -z "$DESTDIR" ] && [ -d /run/systemd/system ] && command -v systemctl >/dev/null 2>&1; }

check() {
    case $PREFIX$SYSTEM in *[!A-Za-z0-9/._-]*) stop "PREFIX and SYSTEM may hold letters, digits and / . _ - only" 64 ;; esac
    case $PREFIX in /*/*) ;; *) stop "PREFIX must be a folder of its own, such as /opt/laneproof: $PREFIX" 64 ;; esac
    for folder in "$home" "$fresh" "$former"; do
        if [ -d "$folder" ] && [ ! -f "$folder/$LIST" ] && [ -n "$(ls -A "$folder")" ]; then
            stop "$folder holds something else: name another folder with PREFIX" 73
        fi
    done
    [ -n "$DESTDIR" ] || [ "$(id -u)" -eq 0 ] || stop "run it as root: it writes to $PREFIX, $SYSTEM and /etc" 77
    [ -d "$home" ] || [ ! -d "$former" ] || mv "$former" "$home" # an exchange was cut short
}

# A Python that a service can reach: none of somebody's home.
find_system_python() {
    if [ -z "${PYTHON:-}" ]; then
        why="for Python's own environments"
        PYTHON=$(PATH=/usr/bin:/usr/local/bin find_python 'import ensurepip, venv') || {
            install_packages "$why" python3-venv || true
            PYTHON=$(PATH=/usr/bin:/usr/local/bin find_python 'import ensurepip, venv') ||
                stop "needs Python 3.11 or newer with its venv module (on Debian 12 or later: the package python3-venv)" 69
        }
    fi
    PYTHON=$(readlink -f "$(command -v "$PYTHON")") || stop "there is no such Python: $PYTHON" 69
}

# run WHY COMMAND...: runs a step; its words are shown only where it fails.
run() {
    why=$1
    shift
    "$@" >"$work/log" 2>&1 || {
        tail -n 5 "$work/log" >&2
        stop "$why (the lines above say why); nothing was changed" 69
    }
}

# Builds everything below $work/tree as it will lie below /.
build() {
    say "preparing the program (it takes about a minute)"
    made=$work/tree$PREFIX
    share=$work/tree$SYSTEM/share
    packages=$made/lib/$("$PYTHON" -c 'import sys; print("python%d.%d" % sys.version_info[:2])')/site-packages
    mkdir -p "$work/source" "$share/doc/laneproof"
    (cd "$checkout" && cp -R daemon collectors pyproject.toml README.md LICENSE "$work/source")
    rm -rf "$work/source"/*/*.egg-info
    tools=$work/tools/bin/python
    run "a Python environment could not be made" "$PYTHON" -m venv "$work/tools"
    run "the Python packages could not be fetched" \
        "$tools" -m pip wheel -q --disable-pip-version-check --wheel-dir "$work/wheels" "$work/source[pages]"
    run "the environment could not be made" "$PYTHON" -m venv --without-pip "$made"
    for where in "$tools laneproof[pages]" "$made/bin/python laneproof"; do
        run "the Python packages could not be installed" "$tools" -m pip --python "${where% *}" install -q \
            --disable-pip-version-check --no-compile --no-index --find-links "$work/wheels" "${where#* }"
    done
    run "the manual could not be written" "$tools" "$checkout/packaging/pages.py" "$share"
    run "the dashboards could not be written" "$tools" "$checkout/packaging/dashboards.py" "$share/laneproof/grafana"

    # Of the environment only what runs laneproof stays, and nothing in it names the folder it was made in.
    rm -rf "$made/include" "$made/.gitignore" "$packages"/*/tests "$packages"/*/*/tests
    find "$made/bin" ! -type d ! -name 'python*' -exec rm {} +
    find "$packages" \( -name RECORD -o -name direct_url.json -o -name INSTALLER -o -name REQUESTED \) -exec rm {} +
    sed -i '/^command = /d' "$made/pyvenv.cfg"
    for program in laneproof=laneproof.cli laneproof-reader=laneproof_collectors.reader; do
        cat >"$made/bin/${program%=*}" <<END
#!$PREFIX/bin/python -I
import sys

from ${program#*=} import main

sys.exit(main())
END
        chmod 755 "$made/bin/${program%=*}"
    done
    # The service's file system is read-only, so what Python would keep for its next start is made now.
    run "the program could not be compiled" "$PYTHON" -m compileall -q --invalidation-mode unchecked-hash \
        -s "$work/tree" "$packages"

    cp -R "$checkout/docs/." "$share/doc/laneproof"
    cp "$checkout/LICENSE" "$share/doc/laneproof"
    mkdir -p "$share/laneproof" "$work/tree$SYSTEM/bin" "$work/tree$SYSTEM/lib/systemd/system" \
        "$work/tree$SYSTEM/lib/sysusers.d"
    cp "$checkout/packaging/sysusers.conf" "$work/tree$SYSTEM/lib/sysusers.d/laneproof.conf"
    cp -R "$checkout/packaging/prometheus" "$checkout/packaging/fleet" "$share/laneproof"
    ln -s "$PREFIX/bin/laneproof" "$work/tree$SYSTEM/bin/laneproof"
    for unit in $UNITS; do
        sed -e "s|/usr/bin/|$SYSTEM/bin/|" -e "s|/usr/share/|$SYSTEM/share/|" -e "s|/usr/lib/laneproof/|$PREFIX/|" \
            "$checkout/systemd/$unit" >"$work/tree$SYSTEM/lib/systemd/system/$unit"
    done
    chmod -R u=rwX,go=rX "$work/tree"
    (cd "$work/tree" && find ".$SYSTEM" ! -type d | sed 's|^\.||' | sort) >"$work/$LIST"
}

# Takes away the files that a list names, and folders of its own that are empty then.
take_away() {
    while read -r file; do rm -f "$DESTDIR$file"; done
    find "$DESTDIR$SYSTEM/share/doc/laneproof" "$DESTDIR$SYSTEM/share/laneproof" -depth -type d -exec rmdir {} + \
        2>/dev/null || true
}

# Puts the new program beside the old one, and in its place once it answers.
exchange() {
    unchanged="the lines above say why; the program that was there is as it was"
    rm -rf "$fresh" "$former"
    mkdir -p "$fresh"
    cp "$work/$LIST" "$fresh/$LIST" # first: so that what is cut short can be told from what is another's
    cp -R "$work/tree$PREFIX/." "$fresh" && "$fresh/bin/python" -I "$fresh/bin/laneproof" --version >/dev/null || {
        rm -rf "$fresh"
        stop "the new program could not be copied or does not start ($unchanged)" 73
    }
    tar -C "$work/tree" --exclude ".$PREFIX" -cf - . | tar -C "$DESTDIR/" -xf - --no-overwrite-dir --no-same-owner || {
        rm -rf "$fresh"
        stop "units, manual or docs could not all be copied ($unchanged): mend that, and run this again" 73
    }
    [ ! -d "$home" ] || mv "$home" "$former" || stop "$home could not be renamed ($unchanged)" 73
    mv "$fresh" "$home" || { mv "$former" "$home" && stop "$fresh could not be renamed ($unchanged)" 73; }
    [ ! -f "$former/$LIST" ] || { grep -vxF -f "$home/$LIST" "$former/$LIST" || true; } | take_away
    rm -rf "$former"
}

install() {
    check
    find_system_python
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
    trap 'exit 130' INT TERM
    build
    exchange
    if [ ! -e "$DESTDIR$CONFIGURATION/service.toml" ]; then
        mkdir -p "$DESTDIR$CONFIGURATION"
        cp "$checkout/packaging/service.toml" "$DESTDIR$CONFIGURATION/service.toml"
    fi
    [ -z "$DESTDIR" ] || return 0
    if has_systemd; then
        systemd-sysusers "$SYSTEM/lib/sysusers.d/laneproof.conf"
        systemctl daemon-reload
        # shellcheck disable=SC2086 # a list of words
        systemctl try-restart $UNITS || say "the service did not start again: systemctl status laneproof.service says why"
    fi
    say "installed. Next, from here to a watched box:  sudo laneproof setup"
    command -v laneproof >/dev/null || say "$SYSTEM/bin is not on this shell's PATH"
}

remove() {
    check
    # shellcheck disable=SC2086 # a list of words
    ! has_systemd || systemctl disable --now $UNITS >/dev/null 2>&1 || true
    for folder in "$home" "$fresh" "$former"; do
        [ ! -f "$folder/$LIST" ] || take_away <"$folder/$LIST"
        rm -rf "$folder" || [ -n "$DESTDIR" ]
    done
    if [ "$1" = --purge ]; then
        rm -rf "$DESTDIR$CONFIGURATION" "$DESTDIR$STATE" "$DESTDIR$STATE-notify" "$DESTDIR$DROP_INS".*.d \
            "$DESTDIR/var/lib/private/laneproof" "$DESTDIR/var/lib/private/laneproof-notify"
    else
        say "removed; kept: $CONFIGURATION and $STATE (--purge takes them away)"
    fi
    ! has_systemd || systemctl daemon-reload
}

case $# in
0) install ;;
1)
    case $1 in
    --remove | --purge) remove "$1" ;;
    *) stop "install.sh takes --remove or --purge, or nothing: $1" 64 ;;
    esac
    ;;
*) stop "install.sh takes one argument at most" 64 ;;
esac
