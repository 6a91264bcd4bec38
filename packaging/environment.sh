# What run.sh and test.sh share: the private Python environment and the distribution's packages. Sourced, not run.
# The caller has set `checkout`. All words go to standard error, since standard output belongs to laneproof.

say() { printf 'laneproof: %s\n' "$*" >&2; }

# Runs a command as root where that needs no password.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo -n "$@"; fi
}

may_install() {
    command -v apt-get >/dev/null 2>&1 || return 1
    [ "$(id -u)" -eq 0 ] || sudo -n true >/dev/null 2>&1
}

# Prints which of the named packages are not installed.
missing_packages() {
    for package in "$@"; do
        status=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null) || status=absent
        [ "$status" = installed ] || printf '%s ' "$package"
    done
}

# install_packages WHY PACKAGE...: installs what is missing, or says in one sentence what would have to be installed.
install_packages() {
    why=$1
    shift
    if ! command -v dpkg-query >/dev/null 2>&1; then
        say "this system has no apt: what these Debian packages hold is needed $why: $*"
        return 1
    fi
    missing=$(missing_packages "$@")
    [ -n "$missing" ] || return 0
    if ! may_install; then
        say "without root the packages cannot be installed; $why, run: apt-get install ${missing% }"
        return 1
    fi
    say "installing: ${missing% }"
    log=$(mktemp)
    # shellcheck disable=SC2086 # the list is meant to be split into words
    if { { [ -n "${lists_are_new:-}" ] || as_root apt-get -q update; } && as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get -q -y install --no-install-recommends $missing; } >"$log" 2>&1 </dev/null; then
        lists_are_new=yes
        rm -f "$log"
        return 0
    fi
    tail -n 5 "$log" >&2
    rm -f "$log"
    say "could not install ${missing% } (needed $why)"
    return 1
}

# Prints a Python of 3.11 or newer that can run the statement $1; the system's own first.
find_python() {
    for name in python3 python3.14 python3.13 python3.12 python3.11; do
        if "$name" -c "import sys; assert sys.version_info >= (3, 11); $1" >/dev/null 2>&1; then
            command -v "$name"
            return 0
        fi
    done
    return 1
}

# Prints a Python of each supported version but the one named: as found on PATH, else as pyenv keeps it.
find_other_pythons() {
    for version in 3.11 3.12 3.13 3.14; do
        [ "$version" != "$1" ] || continue
        for candidate in "python$version" "${PYENV_ROOT:-$HOME/.pyenv}/versions/$version".*/bin/python; do
            if [ "$("$candidate" -c 'import ensurepip, sqlite3, sys, venv; print("%d.%d" % sys.version_info[:2])' \
                2>/dev/null)" = "$version" ]; then
                command -v "$candidate"
                break
            fi
        done
    done
}

# What an environment was made from: one that was made from the same is used as it is.
environment_key() {
    printf '%s %s\n' "$checkout" "$(cksum <"$checkout/pyproject.toml")"
}

# is_prepared NAME: whether the environment of that name is up to date.
is_prepared() {
    [ -x "$checkout/.venv/bin/python" ] && [ "$(cat "$checkout/.venv/$1.stamp" 2>/dev/null)" = "$(environment_key)" ]
}

# prepare_environment NAME WHAT: installs WHAT (`.` or `.[dev]`) into .venv and leaves the stamp NAME.
prepare_environment() {
    if ! python=$(find_python 'import ensurepip, venv'); then
        install_packages "for Python's own environments" python3-venv || true
        if ! python=$(find_python 'import ensurepip, venv'); then
            say "needs Python 3.11 or newer with its venv module (on Debian 12 or later: the package python3-venv)"
            exit 69
        fi
    fi
    say "preparing the Python environment in .venv (once; it takes about a minute)"
    log=$(mktemp)
    if "$checkout/.venv/bin/python" -c 'import pip' >/dev/null 2>&1 ||
        "$python" -m venv --clear "$checkout/.venv" >"$log" 2>&1; then
        if (cd "$checkout" && .venv/bin/python -m pip install -q --disable-pip-version-check --editable "$2") >"$log" 2>&1; then
            rm -f "$log"
            environment_key >"$checkout/.venv/$1.stamp"
            return 0
        fi
    fi
    tail -n 5 "$log" >&2
    rm -f "$log"
    say "the Python environment in $checkout/.venv could not be made (the lines above say why)"
    exit 69
}
