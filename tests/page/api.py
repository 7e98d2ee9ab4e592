"""The page's interface under a fuzzer: requests made from its own OpenAPI description, signed in as an engineer.

    api.py LAPWING SCHEMATHESIS

Every answer must be one the description names, in the shape it names, and never a server error. What is beyond the
description is tried too: another site's origin, a wrong token, a host that is not ours, wrong secrets without end.
The last line is `N passed, N failed`.
"""

import json
import subprocess
import sys
import time
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
        ran = subprocess.run(command, capture_output=True, text=True)
        check("every answer is one the description names", ran.returncode == 0, ran.stdout[-4000:] + ran.stderr[-1000:])
        check("the agent is still well", send(demo.url + "/api/now")[0] == 200)
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


main()
