"""Runs the table of checks, and numbers around each row, on the firmware under emulation, and compares with the host.

    node_m4.py requests FILE            writes the requests, one JSON object a line
    node_m4.py compare FILE HOST NODE   compares the answers of `lapwing calc --jsonl` and of the firmware

Every value must be the same to the last bit, every refusal the same word. Ends with `N passed, N failed`.
"""

import csv
import json
import random
import struct
import sys

# The agent's own, not the engine's: they do not run on a microcontroller.
HOST_ONLY = {
    "modbus_split": "the agent's read planner",
    "modbus_crc_hex": "the agent's frame check",
    "rfc3339_epoch": "the agent's time stamps",
    "flood_intervals": "a figure of the agent's alarm log",
    "is_chattering": "a figure of the agent's alarm log",
}
AROUND = 20  # variants of each row of numbers
WHOLE = ("modbus_", "ups_decode", "ups_enum", "ups_alarm", "rtu_", "alarm_seq", "slope_sd")  # their inputs are whole numbers, or structures


def near(value, draw):
    """The same form with other numbers."""
    if isinstance(value, bool) or not isinstance(value, (int, float, list)):
        return value
    if isinstance(value, list):
        return [near(item, draw) for item in value]
    return value * draw.uniform(0.9, 1.1) + draw.choice((0.0, 0.0, 1e-9))


def requests(path):
    draw = random.Random(1)
    with open("tests/checks.csv", newline="", encoding="utf-8") as table, open(path, "w", encoding="utf-8") as out:
        for row in csv.DictReader(table):
            if row["function"] in HOST_ONLY:
                continue
            inputs = json.loads(row["inputs"])
            variants = 0 if row["function"].startswith(WHOLE) else AROUND
            for number in range(1 + variants):
                given = {name: near(value, draw) for name, value in inputs.items()} if number else inputs
                name = row["id"] + (f"~{number}" if number else "")
                out.write(json.dumps({"id": name, "function": row["function"], "inputs": given}) + "\n")


def bits(value):
    """The value with every float as its 64 bits."""
    if isinstance(value, float):
        return struct.pack(">d", value).hex()
    if isinstance(value, list):
        return [bits(item) for item in value]
    if isinstance(value, dict):
        return {name: bits(item) for name, item in value.items()}
    return value


def lines(path):
    with open(path, encoding="utf-8") as file:
        return [json.loads(line) for line in file if line.strip()]


def compare(asked, host, node):
    asked, host, node = lines(asked), lines(host), lines(node)
    if not len(asked) == len(host) == len(node):
        print(f"{len(asked)} requests, {len(host)} answers of the host, {len(node)} of the node")
        print("0 passed, 1 failed")
        return 1
    rows = variants = numbers = failed = 0
    for request, there, here in zip(asked, host, node, strict=True):
        if "missing" in here:
            print(f"{here['id']}: the node has no {here['missing']}: add it to examples/node-m4/src/answer.rs")
            failed += 1
        elif not there["id"] == here["id"] == request["id"] or bits(there.get("value", there)) != bits(here["value"]):
            print(f"{request['id']} {request['function']}: host {there}, node {here}")
            failed += 1
        else:
            rows, variants = rows + ("~" not in request["id"]), variants + ("~" in request["id"])
            numbers += not isinstance(here["value"], str)
    # A comparison that cannot fail proves nothing: one bit more must be seen.
    if bits(0.1 + 0.2) == bits(0.3) or bits([-0.0]) == bits([0.0]):
        print("the comparison does not see a bit")
        failed += 1
    for function, why in HOST_ONLY.items():
        print(f"not on the node: {function}, {why}")
    print(f"{rows} rows of the table and {variants} points around them give the host's bits, {numbers} of them numbers")
    print(f"{rows + variants} passed, {failed} failed")
    return 1 if failed else 0


def main():
    match sys.argv[1:]:
        case ["requests", path]:
            requests(path)
            return 0
        case ["compare", asked, host, node]:
            return compare(asked, host, node)
    sys.exit(__doc__)


sys.exit(main())
