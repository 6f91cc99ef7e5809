#!/usr/bin/env bash
# Mutation testing of the rules and the science: how many small errors the unit tests notice.
#
#   tests/bench/mutation.sh          every mutant of edgeflash/rules and edgeflash/flash
#   tests/bench/mutation.sh 12       12 mutants of each file, drawn by chance, always the same ones
#   tests/bench/mutation.sh 12 5     others: those of seed 5
#
# It works in a temporary folder, with an environment of its own, and leaves both for a closer look.
# All mutants take hours. What is mutated and by which tests stands in pyproject.toml under
# [tool.mutmut]; how it is counted, in tests/bench/mutation_counts.py. Results that were looked at:
# docs/mutation.md. JOBS: how many at a time (2). PYTHON: the interpreter to make the environment of.
set -euo pipefail
each=${1:-}
seed=${2:-1}
case $each$seed in *[!0-9]*) printf 'mutation: give numbers only\n' >&2; exit 2 ;; esac
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)
folder=$(mktemp -d)
log=$folder/mutmut.log
copy=$folder/edgeflash
say() { printf 'mutation: %s\n' "$*" >&2; }
trap 'say "stopped; see $log"' ERR

mkdir "$copy"
tar -C "$root" --exclude='./.*' --exclude=__pycache__ --exclude=./mutants -cf - . | tar -C "$copy" -xf -
cd "$copy"

say "making an environment in $folder"
"${PYTHON:-python3}" -m venv "$folder/venv"
PATH=$folder/venv/bin:$PATH
export PATH
unset PYTHONPATH
# The mutated copy must be the only edgeflash there is.
pip install -q -c constraints.txt 'mutmut==3.8.1' '.[dev]' >"$log" 2>&1
pip uninstall -q -y edgeflash >>"$log" 2>&1

mutants=()
if [ -n "$each" ]; then
    say "making the mutants"
    # One that exists nowhere: mutmut makes all mutants, finds nothing to test and ends.
    mutmut run no.such.mutant >>"$log" 2>&1 || true
    python -m tests.bench.mutation_counts draw "$each" "$seed" >"$folder/drawn.txt" 2>>"$log"
    mapfile -t mutants <"$folder/drawn.txt"
fi

say "testing ${#mutants[@]} mutants (0: all) with ${JOBS:-2} at a time; progress in $log"
mutmut run --max-children "${JOBS:-2}" "${mutants[@]}" >>"$log" 2>&1
say "asking about the survivors again"
python -m tests.bench.mutation_counts again 2>>"$log"
python -m tests.bench.mutation_counts table
say "one of the survivors: cd $copy && ../venv/bin/mutmut show NAME"
