# The broker gone for 20 s instead of 3.
set -e
cargo build --locked --workspace --all-targets --quiet
LAPWING_TEST_OUTAGE_S=20 cargo test --locked --workspace --test outage -- --nocapture
