# Sourced by the jobs of page and interface: their Python peers, in an environment of their own.
home="$CARGO_TARGET_DIR/page-peers"
wanted="$(python3 --version) $(cat tests/page/requirements.txt)"
if [ "$(cat "$home/installed" 2>/dev/null)" != "$wanted" ]; then
    rm -rf "$home"
    python3 -m venv "$home"
    "$home/bin/python" -m pip install -q --disable-pip-version-check -r tests/page/requirements.txt
    printf '%s' "$wanted" >"$home/installed"
fi
