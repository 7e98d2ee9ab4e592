# Unit tests of every crate, then the examples in the documentation. `--workspace` everywhere: one set of features,
# so that nothing is built twice.
set -e
if cargo nextest --version >/dev/null 2>&1; then
    cargo nextest run --locked --workspace --lib --bins --no-fail-fast --no-tests=pass --config-file tests/nextest.toml
else
    cargo test --locked --workspace --lib --bins --no-fail-fast
fi
cargo test --locked --workspace --doc --quiet
