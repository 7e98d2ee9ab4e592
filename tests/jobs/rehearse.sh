# Every fault of the simulator against the demo's alarm set, in virtual time; the outcome table must be the one that ships.
#   LAPWING_REHEARSE_DAYS=300 tests/run rehearse    the long form; any other option of the program: LAPWING_REHEARSE_OPTIONS
set -e
fast=()
for crate in lapwing lapwing-engine lapwing-protocol lapwing-tests; do
    fast+=(--config "profile.dev.package.$crate.opt-level=2")
done
cargo build --locked -p lapwing-tests --bin lapwing-rehearse --quiet "${fast[@]}"
"$CARGO_TARGET_DIR/debug/lapwing-rehearse" --days "${LAPWING_REHEARSE_DAYS:-10}" ${LAPWING_REHEARSE_OPTIONS:-}
