#!/usr/bin/env bash
# Builds the two no_std crates for a Cortex-M4F microcontroller, core and alloc from source.
# Debian's second compiler carries its library sources; cargo stays the one in use. Needs apt and a minute.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
target=thumbv7em-none-eabihf

missing=()
for package in rustc-web rust-web-src; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
if ((${#missing[@]})); then
    echo "cortex-m: installing ${missing[*]}"
    sudo=$([ "$(id -u)" = 0 ] || echo sudo)
    # A package list may be too old to name what the mirror still has: then refresh it once.
    $sudo apt-get install -y --no-install-recommends "${missing[@]}" >/dev/null 2>&1 ||
        { $sudo apt-get update >/dev/null && $sudo apt-get install -y --no-install-recommends "${missing[@]}" >/dev/null; }
fi

export RUSTC=/usr/bin/rustc RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$root/target/cortex-m
cd "$root"
build() { cargo build --quiet --release -Z build-std=core,alloc --target "$target" "$@"; }
build -p lapwing-engine
build -p lapwing-protocol --no-default-features
build -p lapwing-protocol --no-default-features --features alloc
echo "cortex-m: engine and protocol build for $target"
