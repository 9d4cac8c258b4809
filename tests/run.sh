#!/usr/bin/env bash
# All tests: installs the outside parts that they need (saying so), then runs them.
# More kills of the real process: KVARDEN_KILLS=2000 ./tests/run.sh
set -euo pipefail
cd "$(dirname "$0")/.."
./tests/install-parts.sh
cargo test --workspace --locked --no-fail-fast
