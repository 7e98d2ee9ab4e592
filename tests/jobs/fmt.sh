exec cargo fmt --all --check -- --color never
