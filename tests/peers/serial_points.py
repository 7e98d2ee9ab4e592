"""Reads every point of a serial line by a call of its own, as a first script would; prints the seconds of a whole cycle.

Arguments: device file, baud, parity (even, none), devices (units 1 to n), the points of each (as
`holding:0:1,input:5:2`: table, address, registers), cycles. The median counts.
"""

import statistics
import sys
import time

from pymodbus.client import ModbusSerialClient


def main() -> None:
    path, baud, parity, devices, listed, cycles = sys.argv[1:]
    points = [(table, int(at), int(count)) for table, at, count in (one.split(":") for one in listed.split(","))]
    client = ModbusSerialClient(
        path, baudrate=int(baud), parity={"even": "E", "none": "N"}[parity], stopbits=1, timeout=1, retries=0
    )
    if not client.connect():
        sys.exit(f"{path} cannot be opened")
    read = {"holding": client.read_holding_registers, "input": client.read_input_registers}
    took = []
    for _ in range(int(cycles)):
        begun = time.monotonic()
        for unit in range(1, int(devices) + 1):
            for table, at, count in points:
                answer = read[table](at, count=count, device_id=unit)
                if answer.isError():
                    sys.exit(f"unit {unit}, {table} {at}: {answer}")
        took.append(time.monotonic() - begun)
    print(statistics.median(took), flush=True)
    client.close()


main()
