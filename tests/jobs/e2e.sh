# The agent as its own process against peers that others wrote.
set -e
cargo build --locked --workspace --all-targets --quiet
if cargo nextest --version >/dev/null 2>&1; then
    cargo nextest run --locked --workspace --test '*' --no-fail-fast --config-file tests/nextest.toml
else
    cargo test --locked --workspace --test '*' --no-fail-fast -- --test-threads 3
fi
