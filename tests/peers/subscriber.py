"""An MQTT subscriber made with paho that shares no code with the agent.

    subscriber.py --port PORT --schemas DIR [--client NAME]

Prints `{"ready": true}` when its subscription is confirmed, then one line a message:

    {"topic": …, "qos": …, "retain": …, "dup": …, "at": seconds, "bytes": …, "payload": …, "problem": null or text}

The payload is decoded from JSON or CBOR. `problem` says what does not fit the JSON Schema in DIR/NAME.json that belongs
to the topic. The session is kept by the broker under the client's name, so that a cut connection or a restarted broker
with persistence loses nothing; `{"connected": true}` and `{"connected": false}` tell of cuts.
"""

import argparse
import json
import pathlib
import re
import sys
import threading
import time

import cbor2
import jsonschema
import paho.mqtt.client as mqtt

# Which schema belongs to which topic, below <base>/<site>/<module>/.
KINDS = [
    (re.compile(r"^presence$"), "presence"),
    (re.compile(r"^catalogue/[0-9a-f]+/\d+$"), "catalogue"),
    (re.compile(r"^frame$"), "frame"),
    (re.compile(r"^point/.+$"), "point"),
    (re.compile(r"^alarm/.+$"), "alarm"),
    (re.compile(r"^event$"), "event"),
    (re.compile(r"^event/last$"), "event-last"),
    (re.compile(r"^command/reply$"), "command-reply"),
    (re.compile(r"^announce/(critical|high|medium|low)$"), None),  # one plain sentence
]

printing = threading.Lock()


def say(**what):
    with printing:
        print(json.dumps(what, default=str), flush=True)


def decode(payload):
    if payload[:1] in (b"{", b"["):
        return json.loads(payload)
    return cbor2.loads(payload)


class Checker:
    def __init__(self, folder):
        self.validators = {}
        for file in pathlib.Path(folder).glob("*.json"):
            schema = json.loads(file.read_text())
            kind = jsonschema.validators.validator_for(schema)
            kind.check_schema(schema)
            self.validators[file.stem] = kind(schema)

    def look(self, topic, payload):
        """Decoded payload, and what is wrong with it."""
        below = topic.split("/", 3)[3] if topic.count("/") >= 3 else ""
        for pattern, name in KINDS:
            if pattern.match(below):
                break
        else:
            return payload.hex(), "a topic that the contract does not name"
        if not payload:
            return None, None  # a retained topic cleared
        if name is None:
            try:
                text = payload.decode()
            except UnicodeDecodeError:
                return payload.hex(), "an announcement that is not text"
            return text, None if text.strip() and "\n" not in text else "an announcement that is not one line"
        try:
            value = decode(payload)
        except (ValueError, cbor2.CBORDecodeError) as mistake:
            return payload.hex(), f"neither JSON nor CBOR: {mistake}"
        if name not in self.validators:
            return value, f"no schema named {name}"
        mistake = next(iter(self.validators[name].iter_errors(value)), None)
        return value, mistake and f"{mistake.json_path}: {mistake.message}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--schemas", required=True)
    parser.add_argument("--client", default="independent-subscriber")
    options = parser.parse_args()
    checker = Checker(options.schemas)

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=options.client, clean_session=False)
    client.reconnect_delay_set(min_delay=1, max_delay=1)

    def on_connect(_client, _data, _flags, reason, _properties):
        say(connected=not reason.is_failure)
        # One filter a kind, and the many retained topics last: the demo's broker gives at most a hundred retained
        # messages to one QoS 1 subscription, and none of the topics may be crowded out by another.
        client.subscribe([(f"lapwing/+/+/{kind}", 1) for kind in ("presence", "catalogue/+/+", "frame", "event/#")])
        client.subscribe([(f"lapwing/+/+/{kind}", 1) for kind in ("announce/+", "alarm/#", "point/#")])

    def on_disconnect(_client, _data, _flags, _reason, _properties):
        say(connected=False)

    confirmed = []

    def on_subscribe(_client, _data, mid, _reasons, _properties):
        confirmed.append(mid)
        if len(confirmed) == 2:
            say(ready=True)

    def on_message(_client, _data, message):
        at = time.time()
        payload, problem = checker.look(message.topic, message.payload)
        say(
            topic=message.topic, qos=message.qos, retain=message.retain, dup=message.dup, at=at,
            bytes=len(message.payload), payload=payload, problem=problem,
        )  # fmt: skip

    client.on_connect, client.on_disconnect = on_connect, on_disconnect
    client.on_subscribe, client.on_message = on_subscribe, on_message
    client.connect("127.0.0.1", options.port, keepalive=10)
    client.loop_start()
    sys.stdin.read()  # ends when whoever started us closes the pipe
    client.disconnect()
    client.loop_stop()


main()
