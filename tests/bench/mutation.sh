#!/usr/bin/env bash
# Mutation testing of the rules and the science: how many small errors the unit tests notice.
#
#   tests/bench/mutation.sh        every mutant of edgeflash/rules and edgeflash/flash
#   tests/bench/mutation.sh 12     12 mutants of each file, drawn by chance, always the same ones
#
# It works in a temporary folder, with an environment of its own, and leaves both for a closer look.
# All mutants take hours. What is mutated and by which tests stands in pyproject.toml under
# [tool.mutmut]. Results that were looked at: docs/mutation.md.
set -euo pipefail
each=${1:-}
case $each in *[!0-9]*) printf 'mutation: %s is not a number of mutants\n' "$each" >&2; exit 2 ;; esac
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
# The mutated copy must be the only edgeflash there is.
pip install -q -c constraints.txt 'mutmut==3.8.1' '.[dev]' >"$log" 2>&1
pip uninstall -q -y edgeflash >>"$log" 2>&1

mutants=()
if [ -n "$each" ]; then
    say "making the mutants"
    # One that exists nowhere: mutmut makes all mutants, finds nothing to test and ends.
    mutmut run no.such.mutant >>"$log" 2>&1 || true
    mapfile -t mutants < <(python - "$each" <<'PYTHON'
import json
import random
import sys
from pathlib import Path

chance = random.Random(1)
for meta in sorted(Path("mutants/edgeflash").rglob("*.meta")):
    names = sorted(json.loads(meta.read_text())["exit_code_by_key"])
    print(*chance.sample(names, min(len(names), int(sys.argv[1]))), sep="\n")
PYTHON
    )
fi

say "testing ${#mutants[@]} mutants (0: all) with ${JOBS:-2} at a time; progress in $log"
mutmut run --max-children "${JOBS:-2}" "${mutants[@]}" >>"$log" 2>&1
mutmut results --all true >"$folder/results.txt"

# A mutant that hangs or that crashes the interpreter is noticed too: it counts as killed.
awk -F': ' '
    / not checked$/ { next }
    { name = $1; sub(/^ +/, "", name); sub(/\.x[^.]*$/, "", name); gsub(/\./, "/", name)
      files[name]; if ($2 ~ /survived|no tests/) survived[name]++; else killed[name]++ }
    END { for (f in files) printf "%s.py %d %d\n", f, killed[f], survived[f] }
' "$folder/results.txt" | sort | awk '
    BEGIN { print "| file | mutants | killed | survived | killed, % |\n| --- | ---: | ---: | ---: | ---: |" }
    function line(f, k, s) { printf "| %s | %d | %d | %d | %.0f |\n", f, k + s, k, s, 100 * k / (k + s) }
    { line("`" $1 "`", $2, $3); killed += $2; survived += $3 }
    END { line("all", killed, survived) }
'
say "survivors: $folder/results.txt; one of them: cd $copy && ../venv/bin/mutmut show NAME"
