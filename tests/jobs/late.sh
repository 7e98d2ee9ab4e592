# Ten thousand transactions with late answers, on every way; none may be believed for another.
set -e
cargo build --locked --workspace --all-targets --quiet
cargo test --locked -p lapwing-tests --test late -- --include-ignored --nocapture
