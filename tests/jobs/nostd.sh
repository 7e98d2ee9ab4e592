#!/usr/bin/env bash
# Proves on the host that no std leaks into protocol and engine: tests/nostd must build, and must not with std let in.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
export CARGO_TARGET_DIR=$root/target/nostd
cd "$root/tests/nostd"

cargo build --quiet
cargo build --quiet --features alloc
# The control: a proof that cannot fail proves nothing.
if said=$(cargo build --quiet --features leak 2>&1); then
    echo "nostd: the library builds although std was let in: the proof proves nothing" >&2
    exit 1
fi
grep -q panic_impl <<<"$said" || { echo "nostd: the control failed for another reason:" >&2; echo "$said" >&2; exit 1; }
echo "nostd: protocol and engine link without std, with and without alloc"
