#!/usr/bin/env bash
# Every check of the project, from a fresh checkout.
#
#   tests/run.sh                     formatting, lint, types, import layers, all tests
#   tests/run.sh tests/unit -k bcd   the same, with these arguments for pytest
#
# As root the third-party programs of tests/peers are installed. Without root, the peer tests whose
# program is missing are left out and named; with CI=true they fail.
set -u
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$root" || exit 1
. deploy/setup-venv.sh
setup_venv "$root" dev || exit 1
PATH=$root/.venv/bin:$PATH
export PATH

missing=$(python tests/peers/programs.py missing-debian)
if [ -n "$missing" ] && is_root && command -v apt-get >/dev/null 2>&1; then
    # A package that cannot be had is no reason to leave the rest untested: its tests say so.
    # shellcheck disable=SC2086  # one word for each package
    apt_install $missing || true
fi
python tests/peers/programs.py install-npm || true
# Spark alone has 850 MB: only where all tests must run.
if is_root || [ "${CI:-}" = true ]; then
    python tests/peers/programs.py install-python || true
fi
python tests/peers/programs.py report

summary=''
failed=0
step() {
    local name=$1 started=$SECONDS verdict=ok
    shift
    printf '\n== %s\n' "$name"
    "$@" || { verdict="FAILED ($?)" failed=1; }
    summary+=$(printf '%-14s %-12s %4d s' "$name" "$verdict" $((SECONDS - started)))$'\n'
}

step format ruff format --check .
step lint ruff check .
step types mypy
step layers lint-imports
# Most tests wait for processes and sockets: several files at once, each file in one process.
step tests python -m pytest --numprocesses 3 --dist loadfile "$@"

printf '\n%s' "$summary"
exit "$failed"
