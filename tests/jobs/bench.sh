# Every measurement, release build, one JSON line each.
set -e
cargo build --locked --release -p lapwing -p lapwing-tests --quiet
exec "$CARGO_TARGET_DIR/release/lapwing-bench" all
