"""A Modbus server made with pymodbus, whose registers and manners are changed by lines on standard input.

    modbus_server.py --framer socket --units 1,7            Modbus TCP on a free port of 127.0.0.1
    modbus_server.py --framer rtu --units 7                 RTU frames over TCP on a free port
    modbus_server.py --framer rtu --units 5 --serial PATH   RTU on a serial line

Prints `{"ready": {"port": N}}` when it listens, then `{"done": LINE}` after each line it has carried out:

    set UNIT holding|input|coil|discrete ADDRESS VALUE...
    manner UNIT well|silent|garbage|truncated|wrong-unit|short|exception CODE
    count                                                    prints `{"count": {UNIT: requests, ...}}`

Every table has 64 entries a unit; an address beyond them is answered with exception 02.
"""

import argparse
import asyncio
import json
import logging
import random
import sys

from pymodbus import FramerType
from pymodbus.pdu import ExceptionResponse
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

SIZE = 64
READ_CODE = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}


def say(**what):
    print(json.dumps(what), flush=True)


def crc16(frame):
    """CRC-16 of Modbus over Serial Line V1.02 §6.2.2."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


class Manners:
    """How each unit answers at the moment."""

    def __init__(self, rtu):
        self.rtu = rtu
        self.of = {}
        self.requests = {}
        self.noise = random.Random(7)

    def pdu(self, sending, pdu):
        if not sending:
            self.requests[pdu.dev_id] = self.requests.get(pdu.dev_id, 0) + 1
            return pdu
        manner = self.of.get(pdu.dev_id, ("well",))
        if manner[0] == "exception":
            refusal = ExceptionResponse(pdu.function_code & 0x7F, int(manner[1]))
            refusal.dev_id, refusal.transaction_id = pdu.dev_id, pdu.transaction_id
            return refusal
        if manner[0] == "short" and getattr(pdu, "registers", None):
            pdu.registers = pdu.registers[:-1]
        return pdu

    def packet(self, sending, data):
        if not sending or len(data) < 8 and not self.rtu:
            return data
        unit = data[0] if self.rtu else data[6]
        manner = self.of.get(unit, ("well",))[0]
        if manner == "silent":
            return b""
        if manner == "garbage":
            return bytes(self.noise.randrange(256) for _ in data)
        if manner == "truncated":
            return data[: len(data) - 3]
        if manner == "wrong-unit":
            if self.rtu:
                body = bytes([unit + 100]) + data[1:-2]
                return body + crc16(body)
            return data[:6] + bytes([unit + 100]) + data[7:]
        return data


async def obey(server, manners):
    loop = asyncio.get_running_loop()
    while True:
        line = await loop.run_in_executor(None, sys.stdin.readline)
        if not line:
            return
        words = line.split()
        if words[0] == "set":
            unit, code, address = int(words[1]), READ_CODE[words[2]], int(words[3])
            values = [int(word, 0) for word in words[4:]]
            if code < 3:
                values = [bool(value) for value in values]
            refused = await server.context.async_setValues(unit, code, address, values)
            if refused:
                say(refused=line.strip(), code=int(refused))
                continue
        elif words[0] == "manner":
            manners.of[int(words[1])] = tuple(words[2:])
        elif words[0] == "count":
            say(count=manners.requests)
            continue
        say(done=line.strip())


async def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--framer", choices=["socket", "rtu"], required=True)
    parser.add_argument("--units", required=True)
    parser.add_argument("--serial")
    parser.add_argument("--baud", type=int, default=19200)
    parser.add_argument("--port", type=int, default=0)
    options = parser.parse_args()
    logging.getLogger("pymodbus_internal").setLevel(logging.CRITICAL)

    def bits():
        return [SimData(0, values=[False] * SIZE, datatype=DataType.BITS)]

    def registers():
        return [SimData(0, values=[0] * SIZE, datatype=DataType.REGISTERS)]

    devices = [
        SimDevice(int(unit), simdata=(bits(), bits(), registers(), registers())) for unit in options.units.split(",")
    ]
    manners = Manners(rtu=options.framer == "rtu")
    common = {
        "framer": FramerType.RTU if options.framer == "rtu" else FramerType.SOCKET,
        "trace_pdu": manners.pdu,
        "trace_packet": manners.packet,
    }
    if options.serial:
        # A pseudo-terminal has no parity, and some hosts refuse to set one.
        server = ModbusSerialServer(devices, port=options.serial, baudrate=options.baud, parity="N", **common)
        await server.serve_forever(background=True)
        say(ready={})
    else:
        server = ModbusTcpServer(devices, address=("127.0.0.1", options.port), **common)
        await server.serve_forever(background=True)
        say(ready={"port": server.transport.sockets[0].getsockname()[1]})
    await obey(server, manners)
    await server.shutdown()


asyncio.run(main())
