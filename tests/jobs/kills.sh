# A thousand kills of the agent, or LAPWING_TEST_KILLS; about half an hour.
set -e
cargo build --locked --workspace --all-targets --quiet
LAPWING_TEST_KILLS="${LAPWING_TEST_KILLS:-1000}" cargo test --locked -p lapwing-tests --test kills -- --nocapture
