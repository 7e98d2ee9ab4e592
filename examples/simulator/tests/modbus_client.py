"""Asks a Modbus device through pymodbus, one JSON request a line on standard input, one JSON answer a line out.

Usage: modbus_client.py tcp|rtu_tcp HOST:PORT    or    modbus_client.py serial PATH BAUD
Request: {"call": "read_holding_registers", "unit": 1, "address": 0, "count": 2}, or "call": "reconnect".
Answer: {"registers": [...]}, {"bits": [...]}, {"exception": 2}, {"identification": {"0": "..."}} or {"failed": "..."},
each with "ms", how long it took.
"""

import json
import logging
import sys
import time

from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

TIMEOUT_S = 0.6


def client_for(kind, where, baud=None):
    if kind == "serial":
        # No parity: a pseudo-terminal carries none, and the C library calls asking for it an error.
        return ModbusSerialClient(where, baudrate=int(baud), parity="N", timeout=TIMEOUT_S, retries=0)
    host, port = where.rsplit(":", 1)
    framer = {"tcp": FramerType.SOCKET, "rtu_tcp": FramerType.RTU}[kind]
    return ModbusTcpClient(host, port=int(port), framer=framer, timeout=TIMEOUT_S, retries=0)


def ask(client, request):
    call, unit = request["call"], request.get("unit", 1)
    if call == "reconnect":
        client.close()
        return {"connected": client.connect()}
    if call == "read_device_information":
        reply = client.read_device_information(
            read_code=request["code"], object_id=request.get("object", 0), device_id=unit
        )
    elif call.startswith("write_"):
        reply = getattr(client, call)(request["address"], request["value"], device_id=unit)
    else:
        reply = getattr(client, call)(request["address"], count=request["count"], device_id=unit)
    if reply.isError():
        return {"exception": reply.exception_code} if hasattr(reply, "exception_code") else {"failed": str(reply)}
    if call == "read_device_information":
        return {"identification": {str(key): text.decode() for key, text in reply.information.items()}}
    if reply.registers:
        return {"registers": reply.registers}
    return {"bits": [int(bit) for bit in reply.bits[: request.get("count", 1)]]}


def main():
    logging.disable(logging.CRITICAL)
    client = client_for(*sys.argv[1:])
    print(json.dumps({"connected": client.connect()}), flush=True)
    for line in sys.stdin:
        begin = time.monotonic()
        try:
            answer = ask(client, json.loads(line))
        except (ModbusException, OSError) as failure:
            answer = {"failed": str(failure)}
        answer["ms"] = round((time.monotonic() - begin) * 1000)
        print(json.dumps(answer), flush=True)
    client.close()


main()
