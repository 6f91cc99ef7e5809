#!/usr/bin/env bash
# The demonstration, from nothing: needs Python 3.11 or newer and a package index, no root.
# Arguments go to `edgeflash demo`; `deploy/demo.sh --help` lists them.
set -eu
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
. "$root/deploy/setup-venv.sh"
setup_venv "$root"
exec "$root/.venv/bin/edgeflash" demo "$@"
