"""The demo with its page and one account, for the tests of page and interface. Ends with its block."""

import json
import os
import shutil
import subprocess
import tempfile
import threading
import urllib.request

PIN = "471147"


class Demo:
    """The demo of a scenario with its page; ends with the block."""

    def __init__(self, lapwing, scenario, seconds=600, data=None):
        self.data = data or tempfile.mkdtemp(prefix="lapwing-page-")
        self.owned = data is None
        self.lapwing = lapwing
        self.add_account("ada", "engineer")
        command = [lapwing, "demo", "--json", "--scenario", scenario, "--seconds", str(seconds), "--data", self.data]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self.lines, self.arrived = [], threading.Condition()
        self.url = "http://" + json.loads(self.process.stdout.readline())["addresses"]["http"]
        threading.Thread(target=self._read, daemon=True).start()

    def add_account(self, name, role):
        """Another account with the same PIN."""
        add = [self.lapwing, "account", "add", name, "--role", role, "--data", os.path.join(self.data, "store")]
        subprocess.run(add, input=PIN + "\n", text=True, check=True, stdout=subprocess.DEVNULL)

    def _read(self):
        for line in self.process.stdout:
            with self.arrived:
                self.lines.append(json.loads(line))
                self.arrived.notify_all()

    def wait(self, wanted, seconds=60):
        """The first line that is wanted."""
        with self.arrived:
            found = lambda: next((line for line in self.lines if wanted(line)), None)
            self.arrived.wait_for(lambda: found() is not None, seconds)
            line = found()
        assert line is not None, "the demo did not say what was waited for"
        return line

    def get(self, route):
        with urllib.request.urlopen(self.url + route, timeout=10) as answer:
            return json.load(answer)

    def kill(self):
        self.process.kill()
        self.process.wait()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
        if self.owned:
            shutil.rmtree(self.data, ignore_errors=True)
