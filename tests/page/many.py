"""An agent with many live points: one Modbus server made here, as many devices as are needed, and `lapwing run` on them.

Every register changes each second, so that every reading is news; some can be held at a value, and the server can fall
silent. The first points fill the roles of the drawing. The agent can be stopped, started again at the same address and told
of a changed configuration. Ends with its block.
"""

import json
import os
import pathlib
import shutil
import signal
import socketserver
import struct
import subprocess
import tempfile
import threading
import time

EACH = 100
ROLES = ["supply_temperature", "return_temperature", "flow", "static_pressure", "entering_air", "main_power"]


class Asked(socketserver.BaseRequestHandler):
    """Answers function 3 with registers that change each second (MODBUS Application Protocol V1.1b3, 6.3)."""

    def handle(self):
        held = b""
        while True:
            try:
                data = self.request.recv(4096)
            except OSError:
                return
            if not data or self.server.silent:
                return
            held += data
            while len(held) >= 12:
                transaction, _, length, unit, function, start, count = struct.unpack(">HHHBBHH", held[:12])
                held = held[6 + length :]
                now = int(time.time())
                if function != 3:
                    body = struct.pack(">BB", function | 0x80, 1)
                else:
                    values = [150 + (now * (1 + (unit + at) % 7) + 13 * at) % 100 for at in range(start, start + count)]
                    values = [self.server.forced.get((unit, at), value) for at, value in zip(range(start, start + count), values)]
                    body = struct.pack(f">BB{count}H", 3, 2 * count, *values)
                self.request.sendall(struct.pack(">HHHB", transaction, 0, len(body) + 1, unit) + body)


class Server(socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True
    silent = False

    def __init__(self, *given):
        self.forced = {}
        super().__init__(*given)


def configure(place, port, points, alarms=("warm",)):
    """Writes a module with so many points and these alarms of the first one; answers its file."""
    lines = ['[module]\nsite = "saltmarsh"\nname = "many"\n[mqtt]\nbroker = "127.0.0.1:1"\n[http]\nlisten = "127.0.0.1:0"']
    lines.append(f'[store]\ndir = "{place / "store"}"\n[[link]]\nname = "many"\nmodbus_tcp = "127.0.0.1:{port}"')
    for device in range(-(-points // EACH)):
        here = min(EACH, points - device * EACH)
        lines.append(f'[[device]]\nname = "device-{device:02}"\nlink = "many"\nunit = {device + 1}\nmap = "map-{here}.toml"\nprefix = "device/{device:02}"')
        rows = (f'[[point]]\npath = "value/{at:02}"\nquantity = "temperature"\nunit = "Cel"\nregister = "holding:{at}"\nas = "u16"\nscale = 0.1\nscan_period = "1s"' for at in range(here))
        (place / f"map-{here}.toml").write_text("\n".join(rows) + "\n")
    lines.append("[overview]\n" + "\n".join(f'{role} = "device/00/value/{at:02}"' for at, role in enumerate(ROLES[:points])))
    lines += (f'[[alarm]]\nid = "{name}"\npoint = "device/00/value/{at:02}"\nhigh = 40.0\ndeadband = 1.0\npriority = "low"\ntext = "{{value}} is above {{limit}}"\nconsequence = "None."\nresponse = "None."\nrespond_within = "1h"' for at, name in enumerate(alarms))
    module = place / "module.toml"
    module.write_text("\n".join(lines) + "\n")
    return module


class Many:
    """The agent; `prepare(module, place)` may fill its store first. `beyond`: it listens beyond loopback, so that looking
    needs a person."""

    def __init__(self, lapwing, points, prepare=None, beyond=False):
        self.place = pathlib.Path(tempfile.mkdtemp(prefix="lapwing-many-"))
        self.server = Server(("127.0.0.1", 0), Asked)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        module = configure(self.place, self.server.server_address[1], points)
        if prepare:
            prepare(module, self.place)
        self.command = [lapwing, "run", "--config", str(module), "--json"]
        self.surroundings = {"LAPWING__HTTP__WITHOUT_TLS": "true"} if beyond else {}
        self.start("0.0.0.0:0" if beyond else "127.0.0.1:0")

    def start(self, listen="127.0.0.1:0"):
        """Starts the agent and waits until its page is there."""
        surroundings = {**os.environ, **self.surroundings, "LAPWING__HTTP__LISTEN": listen}
        process = subprocess.Popen(self.command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=surroundings)
        self.process, self.url = process, "http://" + json.loads(process.stdout.readline())["addresses"]["http"].replace("0.0.0.0", "127.0.0.1")
        threading.Thread(target=lambda: [None for _ in process.stdout], daemon=True).start()

    def kill(self):
        self.process.kill()
        self.process.wait()

    def start_again(self):
        """At the address it had."""
        self.start(self.url.removeprefix("http://"))

    def follow(self, points, alarms):
        """Another configuration, taken up while the agent runs."""
        configure(self.place, self.server.server_address[1], points, alarms)
        self.process.send_signal(signal.SIGHUP)

    def add_account(self, name, role, secret):
        add = [self.command[0], "account", "add", name, "--role", role, "--data", str(self.place / "store")]
        subprocess.run(add, input=secret + "\n", text=True, check=True, stdout=subprocess.DEVNULL)

    def used_s(self):
        """Processor time of the agent so far."""
        return used_s(self.process.pid)

    def resident_kib(self):
        status = pathlib.Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0])

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
        self.server.shutdown()
        self.server.server_close()
        shutil.rmtree(self.place, ignore_errors=True)


def used_s(pid):
    """Processor time of a process so far, user and system; 0 when it is gone."""
    try:
        fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def tree(pid):
    """A process and all below it."""
    found = [pid]
    for parent in found:
        try:
            children = pathlib.Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
        except OSError:
            continue
        found += [int(child) for child in children]
    return found
