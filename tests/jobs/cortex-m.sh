#!/usr/bin/env bash
# Builds the two no_std crates for a Cortex-M4F microcontroller, core and alloc from source, and runs the table of checks
# on firmware under emulation: it must give the host's bits.
# Debian's second compiler carries its library sources; cargo stays the one in use. Needs apt and two minutes.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
target=thumbv7em-none-eabihf

missing=()
for package in rustc-web rust-web-src binutils-arm-none-eabi qemu-system-arm; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
if ((${#missing[@]})); then
    echo "cortex-m: installing ${missing[*]}"
    sudo=$([ "$(id -u)" = 0 ] || echo sudo)
    # A package list may be too old to name what the mirror still has: then refresh it once.
    $sudo apt-get install -y --no-install-recommends "${missing[@]}" >/dev/null 2>&1 ||
        { $sudo apt-get update >/dev/null && $sudo apt-get install -y --no-install-recommends "${missing[@]}" >/dev/null; }
fi

cd "$root"
host=${CARGO_TARGET_DIR:-$root/target}
CARGO_TARGET_DIR=$host cargo build --locked --workspace --all-targets --quiet

export RUSTC=/usr/bin/rustc RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$host/cortex-m
build() {
    cargo build --quiet --release --locked -Z build-std=core,alloc -Z build-std-features=compiler-builtins-mem \
        --target "$target" "$@"
}
build -p lapwing-engine
build -p lapwing-protocol --no-default-features
build -p lapwing-protocol --no-default-features --features alloc
echo "cortex-m: engine and protocol build for $target"

run=$CARGO_TARGET_DIR/run
mkdir -p "$run"
python3 tests/jobs/node_m4.py requests "$run/requests.jsonl"
(cd examples/node-m4 && LAPWING_REQUESTS=$run/requests.jsonl build)
"$host/debug/lapwing" calc --jsonl <"$run/requests.jsonl" >"$run/host.jsonl" || echo "cortex-m: the host refused some"
timeout 300 qemu-system-arm -cpu cortex-m4 -machine mps2-an386 -nographic \
    -semihosting-config enable=on,target=native \
    -kernel "$CARGO_TARGET_DIR/$target/release/lapwing-node-m4" </dev/null >"$run/node.jsonl"
python3 tests/jobs/node_m4.py compare "$run/requests.jsonl" "$run/host.jsonl" "$run/node.jsonl"
