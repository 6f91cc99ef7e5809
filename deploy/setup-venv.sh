# shellcheck shell=bash
# Sourced by deploy/demo.sh and tests/run.sh, not run by itself.
#
#   setup_venv ROOT [EXTRA]   makes ROOT/.venv and installs the project into it, editable, at the
#                             versions in ROOT/constraints.txt; at once when that is done already
#   apt_install PACKAGE...    installs Debian packages; needs root
#
# What is said goes to standard error: standard output belongs to the program that follows.

say() { printf 'setup: %s\n' "$*" >&2; }

is_root() { [ "$(id -u)" -eq 0 ]; }

apt_install() {
    say "installing Debian packages: $*"
    local log
    log=$(mktemp)
    if ! { DEBIAN_FRONTEND=noninteractive apt-get update -qq &&
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@"; } \
        >"$log" 2>&1 </dev/null; then
        tail -n 20 "$log" >&2
        rm -f "$log"
        say "apt-get could not install: $*"
        return 1
    fi
    rm -f "$log"
}

# Whether the given Python is 3.11 or newer.
_new_enough() {
    command -v "$1" >/dev/null 2>&1 &&
        "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

# Prints the Python to build the environment with: $PYTHON, else the first that is new enough.
_find_python() {
    local candidate
    for candidate in ${PYTHON:+"$PYTHON"} python3 python3.13 python3.12 python3.11; do
        if _new_enough "$candidate"; then
            command -v "$candidate"
            return 0
        fi
    done
    return 1
}

_can_make_venv() { "$1" -c 'import ensurepip, venv' >/dev/null 2>&1; }

_make_venv() {
    local root=$1 python
    if ! python=$(_find_python); then
        if is_root && command -v apt-get >/dev/null 2>&1; then
            apt_install python3 python3-venv || return 1
        fi
        if ! python=$(_find_python); then
            say "no Python 3.11 or newer found. Install one (Debian 12: apt-get install python3" \
                "python3-venv), or name it: PYTHON=/path/to/python3.11 $0"
            return 1
        fi
    fi
    if ! _can_make_venv "$python" && is_root && command -v apt-get >/dev/null 2>&1; then
        apt_install python3-venv || return 1
    fi
    if ! _can_make_venv "$python"; then
        say "$python has no venv module. As root: apt-get install python3-venv; then run this again"
        return 1
    fi
    say "making $root/.venv with $("$python" --version)"
    "$python" -m venv --clear "$root/.venv"
}

# Shows pip's work: one line that is rewritten on a terminal, nothing elsewhere.
_show_progress() {
    local line
    while IFS= read -r line; do
        printf '%s\n' "$line"
        case $line in
        Collecting* | *Downloading* | Installing*)
            [ -t 2 ] && printf '\r\033[Ksetup: %.70s' "${line#"${line%%[![:space:]]*}"}" >&2
            ;;
        esac
    done >"$1"
    [ -t 2 ] && printf '\r\033[K' >&2
    return 0
}

# Names a state of the installation: what is to be installed, where, and into which Python.
_fingerprint() {
    {
        cat "$1/pyproject.toml" "$1/constraints.txt"
        printf '%s\n' "$1"
        "$1/.venv/bin/python" --version
    } | sha256sum | cut -d' ' -f1
}

setup_venv() {
    local root=$1 extra=${2:-} python=$1/.venv/bin/python
    _new_enough "$python" || _make_venv "$root" || return 1

    # One stamp for each extra. Every one of them stands for the plain project as well.
    local fingerprint stamp
    fingerprint=$(_fingerprint "$root")
    stamp=$root/.venv/.installed-${extra:-plain}
    if [ -n "$extra" ]; then
        grep -qsx "$fingerprint" "$stamp" && return 0
    else
        grep -qsx "$fingerprint" "$root"/.venv/.installed-* && return 0
    fi

    "$python" -m pip --version >/dev/null 2>&1 || "$python" -m ensurepip -q >&2 || {
        say "$root/.venv has no pip. Remove $root/.venv and run this again"
        return 1
    }
    rm -f "$root"/.venv/.installed-*
    local what=edgeflash${extra:+[$extra]} started=$SECONDS log=$root/.venv/setup.log
    say "installing $what into .venv at the pinned versions (a minute or two the first time)"
    # The build of the project runs in an environment of its own, which only the variables reach:
    # PIP_CONSTRAINT for older pips, PIP_BUILD_CONSTRAINT for newer ones. Both would be split at a
    # space in the path, hence the relative name.
    if ! (
        cd "$root" || exit 1
        set -o pipefail
        PIP_CONSTRAINT=constraints.txt PIP_BUILD_CONSTRAINT=constraints.txt \
            "$python" -m pip install --disable-pip-version-check --no-input --progress-bar off \
            --editable ".${extra:+[$extra]}" 2>&1 </dev/null | _show_progress "$log"
    ); then
        tail -n 20 "$log" >&2
        say "pip could not install $what; all of its words are in $log"
        return 1
    fi
    printf '%s\n' "$fingerprint" >"$stamp"
    say "installed $what in $((SECONDS - started)) s"
}
