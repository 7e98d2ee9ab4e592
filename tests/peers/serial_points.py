"""Reads every point of a serial line by a call of its own, as a first script would; prints the seconds of a whole cycle.

Arguments: device file, baud, parity (even, none), devices (units 1 to n), registers a device, cycles. The median counts.
"""

import statistics
import sys
import time

from pymodbus.client import ModbusSerialClient


def main() -> None:
    path, baud, parity, devices, registers, cycles = sys.argv[1:]
    client = ModbusSerialClient(
        path, baudrate=int(baud), parity={"even": "E", "none": "N"}[parity], stopbits=1, timeout=1, retries=0
    )
    if not client.connect():
        sys.exit(f"{path} cannot be opened")
    took = []
    for _ in range(int(cycles)):
        begun = time.monotonic()
        for unit in range(1, int(devices) + 1):
            for register in range(int(registers)):
                answer = client.read_holding_registers(register, count=1, device_id=unit)
                if answer.isError():
                    sys.exit(f"unit {unit}, register {register}: {answer}")
        took.append(time.monotonic() - begun)
    print(statistics.median(took), flush=True)
    client.close()


main()
