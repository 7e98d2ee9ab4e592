# Two hundred power cuts at block level, or LAPWING_TEST_CUTS, and fifty with the weaker setting that must lose events.
set -e
LAPWING_TEST_CUTS="${LAPWING_TEST_CUTS:-200}" cargo test --locked -p lapwing --lib store::tests::powercut -- --nocapture --test-threads 1
