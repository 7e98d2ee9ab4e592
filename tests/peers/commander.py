"""Somebody who acts over MQTT: publishes commands (paho), signs them (another library's Ed25519), hears the answers.

    commander.py --port PORT --base lapwing/SITE/MODULE [--ca FILE --certificate FILE --key FILE]

Prints `{"ready": true}`, then `{"reply": …}` for each answer. Each line on standard input is one command:

    {"topic": "command", "command": {…}, "sign": {"kid": …, "seed": hexadecimal}, "retain": false}

`iat` of a signed command is filled in where it says "now". A line with `again` sends the bytes before once more.
"""

import argparse
import base64
import json
import sys
import threading
import time

import paho.mqtt.client as mqtt
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

printing = threading.Lock()


def say(**what):
    with printing:
        print(json.dumps(what), flush=True)


def part(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def jws(command, kid, seed):
    header = part(json.dumps({"alg": "EdDSA", "kid": kid, "typ": "JWT"}).encode())
    text = f"{header}.{part(json.dumps(command).encode())}"
    return f"{text}.{part(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(seed)).sign(text.encode()))}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--base", required=True)
    parser.add_argument("--ca")
    parser.add_argument("--certificate")
    parser.add_argument("--key")
    args = parser.parse_args()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    if args.ca:
        client.tls_set(args.ca, args.certificate, args.key)

    def connected(client, *_):
        client.subscribe(f"{args.base}/command/reply", 1)

    client.on_connect = connected
    client.on_subscribe = lambda *_: say(ready=True)
    client.on_message = lambda _client, _data, message: say(reply=json.loads(message.payload))
    client.connect("127.0.0.1", args.port)
    client.loop_start()
    last = None
    for line in sys.stdin:
        wanted = json.loads(line)
        if "again" in wanted:
            topic, payload, retain = last
        else:
            command, topic, retain = wanted["command"], wanted["topic"], wanted.get("retain", False)
            if command.get("iat") == "now":
                command["iat"] = int(time.time())
            sign = wanted.get("sign")
            payload = jws(command, sign["kid"], sign["seed"]) if sign else json.dumps(command)
            last = topic, payload, retain
        sent = client.publish(f"{args.base}/{topic}", payload, 1, retain)
        sent.wait_for_publish(10)
        say(sent=topic, confirmed=sent.is_published())


main()
