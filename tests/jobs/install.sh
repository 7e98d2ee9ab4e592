# Sourced by tests/run: brings what is missing, and only that.

# Debian packages by name; each line is `command-or-file package`.
install_tools() {
    local missing=() have package
    while read -r have package; do
        case "$have" in
            /*) [ -e "$have" ] || missing+=("$package") ;;
            *) command -v "$have" >/dev/null || missing+=("$package") ;;
        esac
    done <<LIST
cc gcc
pkg-config pkg-config
python3 python3
mosquitto mosquitto
mosquitto_sub mosquitto-clients
snmpd snmpd
snmpget snmp
socat socat
mkfs.ext4 e2fsprogs
fsfreeze util-linux
ip iproute2
/usr/lib/$(uname -m)-linux-gnu/faketime/libfaketime.so.1 libfaketime
tcpdump tcpdump
/usr/include/modbus/modbus.h libmodbus-dev
LIST
    python3 -c 'import venv, ensurepip' 2>/dev/null || missing+=(python3-venv)
    if [ ${#missing[@]} -gt 0 ]; then
        if command -v apt-get >/dev/null && [ "$(id -u)" -eq 0 ]; then
            echo "installing: ${missing[*]}"
            apt-get update -qq </dev/null &&
                DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" </dev/null >/dev/null ||
                { echo "tests/run: could not install ${missing[*]}" >&2; return 1; }
        else
            echo "tests/run: missing ${missing[*]}; install them (on Debian: apt-get install ${missing[*]}) and run again" >&2
            return 1
        fi
    fi
    if ! command -v cargo >/dev/null; then
        echo "tests/run: no Rust toolchain; install one with rustfmt and clippy (the version stands in Cargo.toml)" >&2
        return 1
    fi
}

# Peers written in Python live in an environment of their own: the machine's Python stays as it is.
install_peers() {
    local home="$CARGO_TARGET_DIR/peers" wanted
    wanted="$(python3 --version) $(cat tests/peers/requirements.txt)"
    if [ "$(cat "$home/installed" 2>/dev/null)" != "$wanted" ]; then
        echo "installing the Python peers"
        rm -rf "$home"
        python3 -m venv "$home" &&
            "$home/bin/python" -m pip install -q --disable-pip-version-check -r tests/peers/requirements.txt </dev/null ||
            { echo "tests/run: could not install the Python peers of tests/peers/requirements.txt" >&2; return 1; }
        printf '%s' "$wanted" >"$home/installed"
    fi
    export PATH="$home/bin:$PATH"
    export LAPWING_TEST_PYTHON="$home/bin/python"
}

# Reference libraries of physics: large, so only where they are asked for, beside the peers.
install_references() {
    local home="$CARGO_TARGET_DIR/references" wanted
    wanted="$(python3 --version) $(cat tests/sweeps/requirements.txt)"
    if [ "$(cat "$home/installed" 2>/dev/null)" != "$wanted" ]; then
        echo "installing the reference libraries"
        rm -rf "$home"
        python3 -m venv "$home" &&
            "$home/bin/python" -m pip install -q --disable-pip-version-check -r tests/sweeps/requirements.txt </dev/null ||
            { echo "tests/run: could not install the reference libraries of tests/sweeps/requirements.txt" >&2; return 1; }
        printf '%s' "$wanted" >"$home/installed"
    fi
    export LAPWING_REFERENCE_PYTHON="$home/bin/python"
}
