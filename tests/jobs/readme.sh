set -e
cargo build --locked --workspace --all-targets --quiet
exec python3 tests/jobs/readme.py
