"""Tries the commands the README shows, so that it cannot drift from the program.

Every line of a `sh` block must be of a kind known here. `cargo run --release -- …` is run with the binary that the
other jobs built (the same sources, only unoptimised), from the top of the repository; a demo is given a few seconds.
Prints `N passed, N failed`, one a command.
"""

import os
import pathlib
import re
import shlex
import subprocess
import sys

BINARY = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", "target")) / "debug" / "lapwing"
SECONDS = "6"
LIMIT_S = 90
# Shown for people, not run here: fetching and entering the sources.
PASSED_OVER = re.compile(r"^(git clone|cd|sudo|curl|mosquitto_sub|systemctl|install) ?")


def commands(text):
    for block in re.findall(r"^```(?:sh|bash)\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            line = line.split(" #")[0].strip()
            if line and not line.startswith("#"):
                yield line


def attempt(line):
    """`None` if the command works, else what is wrong."""
    if PASSED_OVER.match(line):
        return None
    words = shlex.split(line)
    if words[0] in ("tests/run", "bash") and "tests/run" in words[:2]:
        at = words.index("tests/run") + 1
        shown = subprocess.run(["bash", "tests/run", "--list"], capture_output=True, text=True, timeout=LIMIT_S)
        known = {row.split()[0] for row in shown.stdout.splitlines()}
        strange = [word for word in words[at:] if not word.startswith("-") and word not in known]
        return f"no such job: {strange}" if strange else None
    if words[:2] == ["cargo", "run"] and "--" in words:
        arguments = words[words.index("--") + 1 :]
    elif words[0] == "lapwing" or words[0].endswith("/lapwing"):
        arguments = words[1:]
    else:
        return "a kind of command that this job does not know; teach it or change the README"
    if not arguments:
        return "no command after `--`"
    if arguments[0] == "checkout":
        return None  # needs a site's own files and a person; agent/tests/checkout.rs runs it
    if arguments[0] in ("demo", "simulate", "run"):
        if arguments[0] == "run":
            return None  # needs a site's own files; the end-to-end tests run it
        if "--seconds" in arguments:
            arguments[arguments.index("--seconds") + 1] = SECONDS
        else:
            arguments += ["--seconds", SECONDS]
    done = subprocess.run(
        [str(BINARY), *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=LIMIT_S
    )
    if done.returncode != 0:
        return f"exit code {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
    if not done.stdout.strip():
        return "printed nothing"
    return None


def main():
    readme = pathlib.Path("README.md")
    if not readme.is_file():
        print("README.md is missing\n0 passed, 1 failed")
        return 1
    tried = list(dict.fromkeys(commands(readme.read_text())))
    passed = failed = 0
    if not any(" demo" in line for line in tried) or not any("tests/run" in line for line in tried):
        print("README.md does not show both commands: the demo and the tests")
        failed += 1
    for line in tried:
        wrong = attempt(line)
        print(f"{'ok    ' if wrong is None else 'FAILED'} {line}")
        if wrong is not None:
            print(wrong)
        passed, failed = (passed + 1, failed) if wrong is None else (passed, failed + 1)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


sys.exit(main())
