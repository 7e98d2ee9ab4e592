# The page's interface, driven from its own OpenAPI description.
set -e
. tests/jobs/page_peers.sh
cargo build --locked --workspace --bin lapwing --quiet
"$home/bin/python" tests/page/api.py "$CARGO_TARGET_DIR/debug/lapwing" "$home/bin/st"
