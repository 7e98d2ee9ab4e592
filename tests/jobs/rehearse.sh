# Every fault of the simulator against the demo's alarm set, in virtual time; the outcome table must be the one that ships.
#   LAPWING_REHEARSE="--pairs 300 --days 300" tests/run rehearse    the long form (two processors: about an hour)
set -e
fast=()
for crate in lapwing lapwing-engine lapwing-protocol lapwing-tests; do
    fast+=(--config "profile.dev.package.$crate.opt-level=2")
done
# With a test among the targets the dependencies are those that the other jobs have built.
cargo build --locked --workspace --bin lapwing-rehearse --test maps --quiet "${fast[@]}"
"$CARGO_TARGET_DIR/debug/lapwing-rehearse" ${LAPWING_REHEARSE:-}
