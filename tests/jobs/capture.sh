# Every byte the agent sends to the demo's field, in every scenario and a checkout, decoded by programs of others.
set -e
cargo build --locked -p lapwing --quiet
exec "$LAPWING_TEST_PYTHON" tests/peers/capture.py "$CARGO_TARGET_DIR/debug/lapwing" examples/saltmarsh \
    "${LAPWING_CAPTURE_SECONDS:-30}" ${LAPWING_CAPTURE_SCENARIOS:-all}
