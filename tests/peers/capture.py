"""Captures every byte the agent sends to the demo's field and has it decoded by programs of others: it only reads.

    capture.py LAPWING CONFIGURATION SECONDS SCENARIO...

LAPWING is the agent's binary, CONFIGURATION the directory of the demo's. For each scenario the simulated module and the
agent run as processes of their own: at least for so long after every link has answered, and until each link has been
asked a number of times; where a link is cut before it had answered, the scenario is begun again. tcpdump writes what
passes the module's TCP and UDP ports; the serial line has a pseudo-terminal between that keeps the agent's bytes.
pymodbus's server-side framers decode Modbus TCP and RTU, scapy decodes SNMP. The scenario `checkout` is a calm module and
the point-to-point checkout in the agent's place, which also asks the devices who they are; `all` are those the agent
names, and that. Allowed are Modbus functions 1 to 4 and 43 with MEI type 14 (Modbus Application Protocol V1.1b3 §6), and
SNMP GetRequest, GetNextRequest, GetBulkRequest (RFC 3416 §3). Bytes that are no whole request count as wrong, but for the
last request of a connection.

A line a scenario on standard output, `{"scenario", "requests": {kind: count}, "wrong": [...]}`, then two lines of sums;
exit code 0 if nothing is wrong, 1 if something is, 2 if nothing could be captured (tcpdump missing, or not permitted).
"""

import json
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
import urllib.request
from collections import Counter
from pathlib import Path

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu.decoders import DecodePDU
from scapy.layers.inet import TCP, UDP
from scapy.layers.snmp import SNMP, SNMPget, SNMPset
from scapy.packet import NoPayload
from scapy.utils import PcapReader

MODBUS_READS = {1, 2, 3, 4}
SNMP_READS = {"SNMPget", "SNMPnext", "SNMPbulk"}
LONGEST_RTU = 256
# Requests of each link that must have been captured, and how long a starved machine may take for that.
ASKED_AT_LEAST, PATIENCE_S, TRIES = 25, 240, 3


class Tap:
    """A pseudo-terminal before another; keeps what is written to it."""

    def __init__(self, device):
        self.sent = bytearray()
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.path = os.ttyname(theirs)
        line = os.open(device, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(line)
        # The other end stays open, so that nobody's leaving ends the line.
        self.ends = (ours, theirs, line)
        self.over = threading.Event()
        self.thread = threading.Thread(target=self.forward, args=(ours, line))
        self.thread.start()

    def forward(self, agent, line):
        while not self.over.is_set():
            for end in select.select([agent, line], [], [], 0.1)[0]:
                try:
                    some = os.read(end, 4096)
                    if end == agent:
                        self.sent += some
                    os.write(line if end == agent else agent, some)
                except OSError:
                    return

    def close(self):
        self.over.set()
        self.thread.join()
        for end in self.ends:
            os.close(end)


def configure(home, shipped, links):
    """The demo's configuration with other addresses."""
    for folder in ("maps", "translations"):
        shutil.copytree(shipped / folder, home / folder)
    name, out = None, []
    for line in (shipped / "module.toml").read_text().splitlines():
        if found := re.match(r'name = "([^"]+)"', line):
            name = found[1]
        if found := re.match(r"(modbus_tcp|modbus_rtu_tcp|serial|snmp) = ", line):
            line = f'{found[1]} = "{links[name]}"'
        line = re.sub(r'^broker = .*', 'broker = "127.0.0.1:9"', line)
        line = re.sub(r'^dir = .*', f'dir = "{home / "data"}"', line)
        line = re.sub(r'^listen = "127.*', 'listen = "127.0.0.1:0"', line)
        out.append(line)
    file = home / "module.toml"
    file.write_text("\n".join(out) + "\n")
    return file


def stop(process):
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


class Found:
    """What was asked, by kind, and what should not have been."""

    def __init__(self):
        self.requests, self.wrong = Counter(), []

    def modbus(self, where, pdu):
        code, sub = pdu.function_code, getattr(pdu, "sub_function_code", None)
        self.requests[f"{where} function {code}" + (f"/{sub}" if code == 43 else "")] += 1
        if code not in MODBUS_READS and (code, sub) != (43, 14):
            self.wrong.append(f"{where}: Modbus function {code}")

    def tcp(self, where, stream):
        framer, at = FramerSocket(DecodePDU(True)), 0
        while at < len(stream):
            used, pdu = framer.handleFrame(bytes(stream[at : at + 300]), 0, 0)
            if pdu is None:
                if len(stream) - at >= 12:
                    self.wrong.append(f"{where}: no request: {stream[at:at + 20].hex()}")
                return
            self.modbus(where, pdu)
            at += used

    def rtu(self, where, stream):
        framer, at = FramerRTU(DecodePDU(True)), 0
        while at < len(stream):
            for end in range(at + 4, min(at + LONGEST_RTU, len(stream)) + 1):
                used, pdu = framer.handleFrame(bytes(stream[at:end]), 0, 0)
                if pdu is not None and used == end - at:
                    self.modbus(where, pdu)
                    break
            else:
                if len(stream) - at >= 8:
                    self.wrong.append(f"{where}: no request: {stream[at:at + 20].hex()}")
                return
            at = end

    def snmp(self, where, datagram):
        kind = type(SNMP(datagram).PDU).__name__
        self.requests[f"{where} {kind}"] += 1
        if kind not in SNMP_READS:
            self.wrong.append(f"{where}: SNMP {kind}: {datagram[:40].hex()}")


def streams(pcap, ports):
    """What was sent to each port: the bytes of each TCP connection, and each UDP datagram."""
    tcp, udp = {}, []
    with PcapReader(str(pcap)) as packets:
        for packet in packets:
            if TCP in packet and packet[TCP].dport in ports["tcp"]:
                part = packet[TCP]
                pieces = tcp.setdefault((part.dport, part.sport), {"from": None, "pieces": {}})
                if part.flags.S:
                    pieces["from"] = part.seq + 1
                if not isinstance(part.payload, NoPayload) and len(bytes(part.payload)):
                    pieces["pieces"][part.seq] = bytes(part.payload)
            elif UDP in packet and packet[UDP].dport in ports["udp"]:
                udp.append((packet[UDP].dport, bytes(packet[UDP].payload)))
    whole = []
    for (port, _), of in tcp.items():
        stream, next_seq = bytearray(), of["from"]
        # Connections are short against 2^32 bytes, so that sequence numbers turn over at most once.
        for seq in sorted(of["pieces"], key=lambda seq: (seq - (next_seq or 0)) % 2**32):
            piece = of["pieces"][seq]
            new = (seq - next_seq) % 2**32 if next_seq is not None else 0
            if new == 0:
                stream += piece
                next_seq = (seq + len(piece)) % 2**32
        whole.append((port, stream))
    return whole, udp


def what_may_not_be_is_found():
    """A function that writes, an SNMP Set and bytes that are nothing must all be told."""
    def crc(frame):
        value = 0xFFFF
        for byte in frame:
            value ^= byte
            for _ in range(8):
                value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
        return frame + value.to_bytes(2, "little")

    read, write = bytes.fromhex("010300000002"), bytes.fromhex("010600000001")
    head = bytes.fromhex("000100000006")
    asked = {"a SetRequest": SNMP(PDU=SNMPset()), "a GetRequest": SNMP(PDU=SNMPget())}
    for wrong, method, given in [
        (0, "rtu", crc(read) + crc(read)), (1, "rtu", crc(read) + crc(write)), (1, "rtu", crc(read) + b"nothing at all"),
        (0, "tcp", head + read + head + read), (1, "tcp", head + read + head + write),
        (0, "snmp", bytes(asked["a GetRequest"])), (1, "snmp", bytes(asked["a SetRequest"])),
    ]:
        found = Found()
        getattr(found, method)("trial", given)
        if len(found.wrong) != wrong:
            sys.exit(f"capture.py cannot tell right from wrong: {method} {given.hex()} gave {found.wrong}")


def agent_command(lapwing, file, scenario, home):
    if scenario != "checkout":
        return [lapwing, "run", "--config", str(file), "--json"]
    answers = home / "answers.csv"
    answers.write_text("path,expected,initials,note\n")
    return [lapwing, "checkout", "--config", str(file), "--silent", "--answers", str(answers), "--out", str(home / "sheet"), "--json"]


def answers(http):
    """Requests and answers of each link, by the agent's own count; nothing while it does not tell."""
    try:
        with urllib.request.urlopen(f"http://{http}/api/links", timeout=5) as said:
            return {link["name"]: (link["figures"]["requests"], link["figures"]["answers"]) for link in json.load(said)["links"]}
    except OSError:
        return {}


def watch(agent, seconds, scenario):
    """Waits until the agent has shown enough, or has ended; whether every link has answered it."""
    first = agent.stdout.readline()
    threading.Thread(target=agent.stdout.read, daemon=True).start()
    if scenario == "checkout":
        try:
            agent.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            return False
        return True
    http = json.loads(first or "{}").get("addresses", {}).get("http")
    began, ready = time.monotonic(), None
    while agent.poll() is None and time.monotonic() - began < PATIENCE_S:
        counts = answers(http)
        if ready is None and counts and all(answered for _, answered in counts.values()):
            ready = time.monotonic()
        # A link that the scenario cuts is not asked any more.
        asked = [link for link, (requests, _) in counts.items() if requests < ASKED_AT_LEAST]
        if ready and time.monotonic() - ready >= seconds and (not asked or scenario == "link-cut"):
            break
        time.sleep(0.2)
    return ready is not None


def capture(lapwing, shipped, seconds, scenario):
    for _ in range(TRIES):
        found, ready = once(lapwing, shipped, seconds, scenario)
        if ready:
            break
    else:
        found.wrong.append("a link has not answered")
    print(json.dumps({"scenario": scenario, "requests": dict(sorted(found.requests.items())), "wrong": found.wrong[:20]}), flush=True)
    return found


def once(lapwing, shipped, seconds, scenario):
    found = Found()
    with tempfile.TemporaryDirectory(prefix="lapwing-capture-") as folder:
        home = Path(folder)
        field = subprocess.Popen(
            [lapwing, "simulate", "--json", "--scenario", "calm" if scenario == "checkout" else scenario], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        dump = agent = tap = None
        try:
            links = json.loads(field.stdout.readline())["addresses"]["links"]
            threading.Thread(target=field.stdout.read, daemon=True).start()
            # Others may use a TCP port of the same number as one of ours over UDP.
            ports = {"tcp": {}, "udp": {}}
            for name, at in links.items():
                if ":" in at:
                    ports["udp" if name.startswith("ups") else "tcp"][int(at.rsplit(":", 1)[1])] = name
            tap = Tap(links["fans"])
            pcap = home / "field.pcap"
            dump = subprocess.Popen(
                ["tcpdump", "-i", "lo", "-U", "-B", "8192", "-w", str(pcap), *(["-Z", "root"] if os.geteuid() == 0 else []),
                 " or ".join(f"{way} dst port {port}" for way, of in ports.items() for port in of)],
                stderr=subprocess.PIPE, text=True,
            )
            for line in dump.stderr:
                if "listening on" in line:
                    break
            else:
                print("capture.py: tcpdump may not capture on the loopback interface", file=sys.stderr)
                sys.exit(2)
            file = configure(home, shipped, links | {"fans": tap.path})
            said = home / "said"
            agent = subprocess.Popen(
                agent_command(lapwing, file, scenario, home), stdout=subprocess.PIPE, stderr=said.open("w"), text=True
            )
            ready = watch(agent, seconds, scenario)
            if agent.poll() is not None and (scenario != "checkout" or agent.returncode == 2):
                sys.exit(f"capture.py: the agent ended: {said.read_text()}")
            stop(agent)
            dump.send_signal(signal.SIGINT)
            said = dump.stderr.read()
            dump.wait()
            if not re.search(r"\b0 packets dropped by kernel", said):
                found.wrong.append(f"tcpdump did not see everything: {said!r}")
        finally:
            for process in (agent, dump, field):
                if process:
                    stop(process)
            if tap:
                tap.close()
        whole, datagrams = streams(pcap, ports)
        for port, stream in whole:
            name = ports["tcp"][port]
            (found.rtu if name == "environment" else found.tcp)(name, stream)
        for port, datagram in datagrams:
            found.snmp(ports["udp"][port], datagram)
        found.rtu("fans", tap.sent)
    for name in links:
        if not any(kind.startswith(f"{name} ") for kind in found.requests):
            found.wrong.append(f"{name}: nothing was captured")
    return found, ready


def main():
    lapwing, shipped, seconds, *scenarios = sys.argv[1:]
    if not shutil.which("tcpdump"):
        print("capture.py: tcpdump is not installed", file=sys.stderr)
        sys.exit(2)
    if scenarios == ["all"]:
        said = subprocess.run([lapwing, "simulate", "--scenario", "?"], capture_output=True, text=True).stderr
        scenarios = [*re.search(r"the names are: ([^;]+);", said)[1].split(", "), "checkout"]
    what_may_not_be_is_found()
    wrong, kinds, failed = 0, Counter(), 0
    for scenario in scenarios:
        found = capture(lapwing, Path(shipped), float(seconds), scenario)
        wrong += len(found.wrong)
        failed += bool(found.wrong)
        for kind, count in found.requests.items():
            kinds[kind.split(" ", 1)[1]] += count
    said = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    print(f"capture: {len(scenarios)} scenarios, {sum(kinds.values())} requests ({said}), {wrong} wrong")
    print(f"{len(scenarios) - failed} passed, {failed} failed")
    sys.exit(1 if wrong else 0)


main()
