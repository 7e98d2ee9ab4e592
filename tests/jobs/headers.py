"""Rules that no compiler checks: file headers, file length, the names at the top, words that do not belong.

Prints every breach with file and line, then `N passed, N failed` (one a rule).
"""

import pathlib
import re
import subprocess
import sys

LONGEST = 400  # code lines of one file, without blank lines, comments and its tests
TOP = {
    "Cargo.toml", "Cargo.lock", "README.md", "DEVELOPERS.md", "LICENSE-MIT", "LICENSE-APACHE",
    "agent", "protocol", "tests", "deploy", "examples",
}  # fmt: skip
# Put together from pieces, so that this file does not break its own rule.
STRANGE = [
    ("a path of one machine", re.compile(r"(?<![\w.])/(?:wo" + r"rk|ro" + r"ot|tmp/(?:wt|bri" + r"ef))\b")),
    ("a registry's host", re.compile(r"\b(?:static\.)?cra" + r"tes\.io\b|\bpy" + r"pi\.org\b|\bdeb\.deb" + r"ian\.org\b")),
    ("a word of the workshop", re.compile(r"\bseed doc" + r"ument\b|\bis" + r"sue #?\d|\bas instru" + r"cted\b", re.IGNORECASE)),
]  # fmt: skip


def tracked():
    """Files git knows or would add, as they are now."""
    out = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], capture_output=True, check=True
    ).stdout
    return sorted({name for name in out.decode().split("\0") if name and pathlib.Path(name).is_file()})


def is_test_file(name):
    parts = pathlib.PurePath(name).parts
    return name.startswith("tests/tests/") or parts[-1] == "tests.rs" or "tests" in parts[1:-1]


def code_lines(text):
    """Lines of code before the test module; a test module stands last in a file by our rule."""
    count = 0
    for line in text.splitlines():
        stripped = line.strip()
        if line.startswith("mod tests {") or line.startswith("mod tests;"):
            break
        if stripped and not stripped.startswith("//"):
            count += 1
    return count


def headers(files):
    for name in files:
        if not name.endswith(".rs"):
            continue
        first = next(iter(pathlib.Path(name).read_text().splitlines()), "")
        if not first.startswith("//! ") or len(first) < 20:
            yield f"{name}:1: does not open with a `//!` sentence that says what the file decides or converts"


def lengths(files):
    for name in files:
        if name.endswith(".rs") and not is_test_file(name):
            lines = code_lines(pathlib.Path(name).read_text())
            if lines > LONGEST:
                yield f"{name}: {lines} lines of code; split it, {LONGEST} is the most"


def top(files):
    present = {name.split("/")[0] for name in files}
    for name in sorted(present - TOP):
        if not name.startswith("."):
            yield f"{name}: does not belong at the top of the repository"
    for name in sorted(TOP - present):
        yield f"{name}: missing at the top of the repository"


def words(files):
    for name in files:
        if name.endswith("Cargo.lock"):
            continue
        try:
            text = pathlib.Path(name).read_text()
        except UnicodeDecodeError:
            continue
        for number, line in enumerate(text.splitlines(), 1):
            for what, pattern in STRANGE:
                if found := pattern.search(line):
                    yield f"{name}:{number}: {what}: {found.group(0)!r}"


def main():
    files = tracked()
    passed = failed = 0
    for rule in (headers, lengths, top, words):
        breaches = list(rule(files))
        for breach in breaches:
            print(breach)
        passed, failed = (passed, failed + 1) if breaches else (passed + 1, failed)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


sys.exit(main())
