# Every engineering function over its working range, against reference libraries that others wrote.
set -e
cargo build --locked --workspace --all-targets --quiet
exec "$LAPWING_REFERENCE_PYTHON" tests/sweeps/sweep.py --lapwing "$CARGO_TARGET_DIR/debug/lapwing" \
    --points "${LAPWING_SWEEP_POINTS:-100000}"
