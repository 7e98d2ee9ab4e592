exec cargo fmt --all --check
