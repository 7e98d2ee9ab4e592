# The page in a real browser, driven through the demo. Screenshots stay under the target directory.
set -e
. tests/jobs/page_peers.sh
if ! command -v chromium >/dev/null; then
    if command -v apt-get >/dev/null && [ "$(id -u)" -eq 0 ]; then
        apt-get update -qq
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends chromium fonts-dejavu >/dev/null
    else
        echo "missing chromium; install it (on Debian: apt-get install chromium) and run again" >&2
        exit 1
    fi
fi
cargo build --locked --workspace --bin lapwing --quiet
"$home/bin/python" tests/page/page.py "$CARGO_TARGET_DIR/debug/lapwing" "$CARGO_TARGET_DIR/page-shots" ${LAPWING_PAGE_LONG:+--long}
