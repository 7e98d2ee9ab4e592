exec cargo clippy --locked --workspace --all-targets --quiet -- -D warnings
