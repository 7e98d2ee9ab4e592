"""The page's interface under a fuzzer: requests made from its own OpenAPI description, signed in as an engineer.

    api.py LAPWING SCHEMATHESIS

Every answer must be one the description names, in the shape it names, and never a server error. What is beyond the
description is tried too: another site's origin, a wrong token, a host that is not ours, wrong secrets without end; TLS of
the page's own with a certificate made here; who may hide alarms by design and confirm a device.
The last line is `N passed, N failed`.
"""

import http.client
import json
import pathlib
import ssl
import subprocess
import sys
import time
import tempfile
import urllib.error
import urllib.request

from demo import PIN, Demo


def send(url, body=None, headers=None):
    """Status and body of an answer, errors too."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json", **(headers or {})})
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status, answer.headers, json.load(answer)
    except urllib.error.HTTPError as error:
        return error.code, error.headers, json.loads(error.read() or b"null")


def signed_in(demo, name):
    """Headers of a person's session."""
    status, headers, session = send(demo.url + "/api/sign-in", {"name": name, "secret": PIN})
    assert status == 200, session
    return {"Cookie": headers["Set-Cookie"].split(";")[0], "X-Lapwing-Token": session["csrf"]}


def suppressions(check, demo, mine):
    """A declared suppression from its beginning to its end, and who may do it."""
    rule = lambda: next(one for one in send(demo.url + "/api/suppress")[2]["rules"] if one["name"] == "fan-wall-work")
    begin, end = demo.url + "/api/suppress/fan-wall-work", demo.url + "/api/suppress/fan-wall-work/release"
    check("a declared suppression is told", rule()["by_hand"] and "until" not in rule() and "fan-01-failed" in rule()["alarms"], rule())
    demo.add_account("olga", "observer")
    demo.add_account("otto", "operator")
    looks, works = signed_in(demo, "olga"), signed_in(demo, "otto")
    check("an observer starts none", send(begin, {"for_s": 60, "reason": "filter change"}, looks)[0] == 403)
    check("it needs a reason", send(begin, {"for_s": 60}, works)[0] == 400)
    check("it has a longest time", send(begin, {"for_s": 90_000, "reason": "filter change"}, works)[0] == 409)
    long = send(demo.url + "/api/notes", {"text": "x" * 20_000}, works)
    check("what is too long for any request is told as such", long[0] == 413 and long[2]["error"] == "too_large", long)
    lost = send(demo.url + "/api/notes", {"text": "hums", "alarm": "fan-99-failed"}, works)
    check("a note on an alarm that is none is refused", lost[0] == 404 and "fan-" in lost[2]["text"], lost)
    check("an operator starts it", send(begin, {"for_s": 60, "reason": "filter change"}, works)[0] == 200)
    check("it is in force, and until when", rule().get("until", 0) > 0, rule())
    # A state is shown once its event is on the disk.
    fan = lambda: {one["alarm"]: one for one in send(demo.url + "/api/alarms")[2]["alarms"]}["fan-01-failed"]
    until = time.monotonic() + 10
    while (hidden := fan())["state"] != "suppressed" and time.monotonic() < until:
        time.sleep(0.1)
    check("its alarms are hidden", hidden["state"] == "suppressed", hidden)
    check("it is not started twice", send(begin, {"for_s": 60, "reason": "again"}, works)[0] == 409)
    check("it is ended", send(end, {}, works)[0] == 200 and "until" not in rule(), rule())
    check("what holds no more is not ended", send(end, {}, works)[0] == 409)
    confirm = lambda name, who, body: send(f"{demo.url}/api/devices/{name}/confirm", body, who)
    why = {"reason": "meter replaced"}
    check("an operator confirms no device", confirm("coil-plant", works, why)[0] == 403)
    check("confirming needs a reason", confirm("coil-plant", mine, {})[0] == 400)
    status, _, body = confirm("coil-plan", mine, why)
    check("a slip in a device's name is told", status == 404 and "coil-plant" in body["text"], (status, body))
    status, _, body = confirm("coil-plant", mine, why)
    check("what is not remembered cannot be confirmed", status == 409 and "identity" in body["text"], (status, body))


def health(check, demo):
    """The agent's own points."""
    own = {one["path"]: one for one in send(demo.url + "/health")[2]["own"]}
    check("the agent says how it is", "agent/store/state" in own and len(own) > 10, sorted(own))
    check("in numbers", all(isinstance(one["value"], (int, float)) for one in own.values() if one["status"] < 0x80000000), own)


def tls(check, lapwing):
    """The page by TLS of its own, and the refusal to leave loopback without it."""
    with tempfile.TemporaryDirectory(prefix="lapwing-tls-") as name:
        place = pathlib.Path(name)
        make = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
        make += ["-keyout", place / "page.key", "-out", place / "page.pem", "-subj", "/CN=page"]
        make += ["-addext", "subjectAltName=IP:127.0.0.1,DNS:m1.saltmarsh.example"]
        subprocess.run(make, check=True, stderr=subprocess.DEVNULL)
        module = '[module]\nsite = "saltmarsh"\nname = "m1"\n[mqtt]\nbroker = "127.0.0.1:1"\n[store]\ndir = "%s"\nhistory = false\n' % (place / "store")
        config = place / "module.toml"
        config.write_text(module + '[http]\nlisten = "0.0.0.0:0"\n')
        refused = subprocess.run([lapwing, "check", "--config", config], capture_output=True, text=True)
        said = refused.stdout + refused.stderr
        check("beyond loopback the page needs TLS", refused.returncode == 2 and "without TLS" in said, (refused.returncode, said))
        config.write_text(module + f'[http]\nlisten = "127.0.0.1:0"\ncertificate = "{place}/page.pem"\nkey = "{place}/page.key"\nnames = ["m1.saltmarsh.example"]\n')
        subprocess.run([lapwing, "account", "add", "ada", "--role", "operator", "--config", config], input=PIN + "\n", text=True, check=True, stdout=subprocess.DEVNULL)
        agent = subprocess.Popen([lapwing, "run", "--config", config, "--json"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            host, port = json.loads(agent.stdout.readline())["addresses"]["http"].rsplit(":", 1)
            trusted = ssl.create_default_context(cafile=place / "page.pem")

            def ask(method, path, body=None, headers=None):
                line = http.client.HTTPSConnection(host, int(port), context=trusted, timeout=20)
                line.request(method, path, None if body is None else json.dumps(body), {"Content-Type": "application/json", **(headers or {})})
                answer = line.getresponse()
                return answer.status, answer.headers, answer.read()

            check("the page by TLS", b"<!doctype html>" in ask("GET", "/")[2])
            status, headers, body = ask("POST", "/api/sign-in", {"name": "ada", "secret": PIN}, {"Origin": f"https://{host}:{port}"})
            check("signing in by TLS; the cookie stays in it", status == 200 and "Secure" in headers["Set-Cookie"], (status, body, headers))
            check("a configured name is the agent's", ask("GET", "/api/now", None, {"Host": f"m1.saltmarsh.example:{port}"})[0] == 200)
            check("another name is not", ask("GET", "/api/now", None, {"Host": f"elsewhere.example:{port}"})[0] == 403)
            try:
                urllib.request.urlopen(f"http://{host}:{port}/", timeout=20).read()
                plain = "answered"
            except (OSError, http.client.HTTPException) as error:
                plain = error
            check("in the clear nothing is answered", plain != "answered", plain)
            try:
                http.client.HTTPSConnection(host, int(port), context=ssl.create_default_context(), timeout=20).request("GET", "/")
                strange = "trusted"
            except ssl.SSLError as error:
                strange = error
            check("who does not trust the certificate is not connected", strange != "trusted", strange)
        finally:
            agent.terminate()
            agent.wait(20)


def main():
    lapwing, schemathesis = sys.argv[1:3]
    passed, failed = 0, 0

    def check(name, good, seen=""):
        nonlocal passed, failed
        passed, failed = passed + bool(good), failed + (not good)
        print(f"{'ok' if good else 'FAILED'} {name} {'' if good else seen}", flush=True)

    with Demo(lapwing, "pump-trip") as demo:
        status, _, body = send(demo.url + "/api/alarms/water-flow-low/acknowledge", {})
        check("nobody acts who has not signed in", status == 401 and body["error"] == "not_signed_in", (status, body))
        status, headers, session = send(demo.url + "/api/sign-in", {"name": "ada", "secret": PIN})
        check("signing in", status == 200 and session["role"] == "engineer", (status, session))
        cookie = headers["Set-Cookie"]
        check("the cookie is for this page alone", "HttpOnly" in cookie and "SameSite=Strict" in cookie, cookie)
        mine = {"Cookie": cookie.split(";")[0], "X-Lapwing-Token": session["csrf"]}
        note = demo.url + "/api/notes"
        check("a note", send(note, {"text": "fuzzed"}, mine)[0] == 200)
        check("a wrong token is refused", send(note, {"text": "x"}, {**mine, "X-Lapwing-Token": "no"})[0] == 403)
        check("another site is refused", send(note, {"text": "x"}, {**mine, "Origin": "http://elsewhere.example"})[0] == 403)
        check("another name of this host is refused", send(demo.url + "/api/now", None, {"Host": "elsewhere.example"})[0] == 403)
        status, _, body = send(demo.url + "/api/alarms/water-flow-lo/acknowledge", {}, mine)
        check("a slip in an alarm's name is told", status == 404 and "water-flow-low" in body["text"], (status, body))
        status, _, body = send(demo.url + "/api/alarms/water-flow-low/shelve", {"for_s": 60}, mine)
        check("a shelf needs a reason", status == 400 and "reason" in body["text"], (status, body))
        fresh, until = [], time.monotonic() + 60
        while not fresh and time.monotonic() < until:
            time.sleep(0.5)
            fresh = [one for one in send(demo.url + "/api/alarms")[2]["alarms"] if one["state"] == "unacknowledged"]
        check("the pump's trip raises alarms", bool(fresh))
        one = fresh[0]
        route = f"{demo.url}/api/alarms/{one['alarm']}/acknowledge"
        old, new = {"occurrence": one["occurrence"] - 1}, {"occurrence": one["occurrence"]}
        status, _, body = send(route, old, mine)
        check("a touch meant for an older occurrence does nothing", status == 409 and "occurrence" in body["text"], (status, body))
        status, _, body = send(demo.url + "/api/alarms/acknowledge", {"alarms": [{"alarm": one["alarm"], **old}]}, mine)
        check("nor does it among several", status == 409, (status, body))
        record = next(each for each in send(demo.url + "/api/alarms")[2]["alarms"] if each["alarm"] == one["alarm"])
        check("the alarm still waits", record["acknowledged"] is False, record)
        status, _, body = send(route, new, mine)
        check("the occurrence that was seen is acknowledged", status == 200, (status, body))
        suppressions(check, demo, mine)
        health(check, demo)
        for _ in range(5):
            send(demo.url + "/api/sign-in", {"name": "eve", "secret": "0000"})
        status, headers, body = send(demo.url + "/api/sign-in", {"name": "eve", "secret": "0000"})
        check("tries are limited", status == 429 and int(headers["Retry-After"]) > 0, (status, body))

        command = [schemathesis, "run", demo.url + "/api/openapi.json", "--exclude-path", "/api/live"]
        command += ["--exclude-path", "/api/sign-out", "--exclude-path", "/api/sign-in", "--exclude-path", "/api/mode"]
        command += [part for name, value in mine.items() for part in ("-H", f"{name}: {value}")]
        command += ["--max-examples", "20", "--phases", "examples,fuzzing", "--seed", "1", "--no-color"]
        for what in ("not_a_server_error", "status_code_conformance", "content_type_conformance", "response_schema_conformance"):
            command += ["-c", what]
        ran = subprocess.run(command, capture_output=True, text=True, cwd=demo.data)
        check("every answer is one the description names", ran.returncode == 0, ran.stdout[-4000:] + ran.stderr[-1000:])
        check("the agent is still well", send(demo.url + "/api/now")[0] == 200)
    tls(check, lapwing)
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


main()
