RUSTDOCFLAGS="-D warnings" exec cargo doc --locked --workspace --no-deps --document-private-items --quiet
