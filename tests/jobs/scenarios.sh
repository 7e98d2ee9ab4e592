# The demo of every scenario for a short time.
set -e
cargo build --locked --workspace --all-targets --quiet
cargo test --locked --workspace --test scenarios -- --ignored --nocapture
