#!/usr/bin/env bash
# Every decoder of outside bytes under a fuzzer with the address sanitizer, one after another.
#
#   LAPWING_FUZZ_SECONDS   how long each (600)
#   LAPWING_FUZZ_TARGETS   only these, by name, with blanks between
#
# cargo-fuzz is installed under the target directory if it is not there; the stable compiler is let use the flags it needs.
# Inputs that widened the coverage are kept and used again; an input that fails is kept and makes its target fail at once
# the next time. Ends with `N passed, N failed`, one a target.
set -uo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
target=${CARGO_TARGET_DIR:-$root/target}/fuzz
seconds=${LAPWING_FUZZ_SECONDS:-600}
tools=$target/tools
export PATH="$tools/bin:$PATH" RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR="$target"
mkdir -p "$target"
cd "$root/tests/fuzz" || exit 2
all=$(sed -n 's/^name = "\(.*\)"$/\1/p' Cargo.toml | grep -v '^lapwing-fuzz$')
names=${LAPWING_FUZZ_TARGETS:-$all}
for name in $names; do
    grep -qx "$name" <<<"$all" || { echo "fuzz: there is no target '$name'; there are: ${all//$'\n'/ }" >&2; exit 2; }
done
if ! cargo fuzz --version >/dev/null 2>&1; then
    echo "fuzz: installing cargo-fuzz"
    cargo install --quiet --locked --root "$tools" cargo-fuzz --version 0.13.2 || exit 2
fi
cargo fuzz build --fuzz-dir . --sanitizer address --release || exit 2

passed=0 failed=0
for name in $names; do
    corpus=$target/corpus/$name seeds=$target/seeds/$name found=$target/found/$name
    mkdir -p "$corpus" "$seeds" "$found"
    program=$(find "$target" -path "*/release/$name" -type f | head -1)
    log=$target/$name.log
    again=("$found"/*)
    if [ -e "${again[0]}" ] && ! "$program" "${again[@]}" >"$log" 2>&1; then
        code=1
    else
        LAPWING_FUZZ_SEEDS=$seeds "$program" -max_total_time="$seconds" -max_len=65536 -timeout=20 -rss_limit_mb=2048 \
            -artifact_prefix="$found/" -print_final_stats=1 "$corpus" "$seeds" >"$log" 2>&1
        code=$?
    fi
    if [ "$code" -eq 0 ]; then
        passed=$((passed + 1))
        runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
        echo "fuzz: $name: ${runs:-0} inputs in $seconds s, $(find "$corpus" -type f | wc -l) kept"
    else
        failed=$((failed + 1))
        echo "fuzz: $name FAILED:"
        grep -a -m1 -A12 'panicked at\|ERROR: ' "$log" | sed 's/^/    /'
        echo "    once more: $program $found/*"
    fi
done
echo "$passed passed, $failed failed"
[ "$failed" -eq 0 ]
