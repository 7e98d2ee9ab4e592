# What the page costs, measured in a real browser: release build, one JSON line each.
set -e
. tests/jobs/page_peers.sh
command -v chromium >/dev/null || { echo "missing chromium; install it (on Debian: apt-get install chromium) and run again" >&2; exit 1; }
cargo build --locked --release -p lapwing -p lapwing-tests --quiet
"$home/bin/python" tests/page/bench.py "$CARGO_TARGET_DIR/release/lapwing" "$CARGO_TARGET_DIR/release/lapwing-bench"
