# The demo with faults throughout, LAPWING_TEST_SOAK_S seconds (an hour without it): memory, descriptors, disk do not grow.
set -e
cargo build --locked --workspace --all-targets --quiet
LAPWING_TEST_SOAK_S="${LAPWING_TEST_SOAK_S:-3600}" cargo test --locked -p lapwing-tests --test soak -- --include-ignored --nocapture
