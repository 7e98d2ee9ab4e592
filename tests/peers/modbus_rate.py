"""Reads registers of a Modbus TCP server as fast as pymodbus's synchronous client can; prints requests a second.

Arguments: host, port, registers, seconds.
"""

import sys
import time

from pymodbus.client import ModbusTcpClient


def main() -> None:
    host, port, registers, seconds = sys.argv[1:]
    client = ModbusTcpClient(host, port=int(port), timeout=1, retries=0)
    if not client.connect():
        sys.exit(f"{host}:{port} cannot be reached")
    begun, answers = time.monotonic(), 0
    while time.monotonic() - begun < float(seconds):
        answer = client.read_holding_registers(0, count=int(registers), device_id=1)
        if answer.isError():
            sys.exit(str(answer))
        answers += 1
    print(answers / (time.monotonic() - begun), flush=True)
    client.close()


main()
