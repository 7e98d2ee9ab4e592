"""What the page costs and how soon it shows what it should, one JSON line each.

    bench.py LAPWING LAPWING_BENCH

Real Chromium on loopback; agent and browser share the machine. Stamps of readings and of the screen are of one clock. The
day of history is written by `lapwing-bench page-day`.
"""

import json
import os
import shutil
import socket
import statistics
import subprocess
import sys
import time

from playwright.sync_api import sync_playwright

from demo import Demo
from many import Many, tree, used_s

WAIT_MS = 60_000
# Of every context's first script: when the overview first shows a number in its drawing and the verdict a sentence.
FIRST = """
    const look = () => {
      const value = document.querySelector("svg.module .d-value"), verdict = document.querySelector("#verdict a");
      if (value && /[0-9]/.test(value.textContent) && verdict && verdict.textContent.trim()) { requestAnimationFrame(() => requestAnimationFrame(() => { window.useful = performance.now(); })); return; }
      requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
"""
# Notes, frame by frame, how old a reading is when the screen first shows it.
AGES = """async (ms) => {
    const state = await import("/assets/js/state.js");
    const rows = [...document.querySelectorAll(".bar .value")], ages = [], shown = rows.map((row) => row.textContent);
    const paths = [...document.querySelectorAll(".bar")].map((bar) => bar.dataset.path);
    const until = performance.now() + ms;
    await new Promise((done) => {
      const frame = () => {
        rows.forEach((row, n) => {
          if (row.textContent === shown[n]) return;
          shown[n] = row.textContent;
          const point = state.byPath.get(paths[n]), there = point && state.values.get(point.id);
          if (there) ages.push(Date.now() - there.t);
        });
        if (performance.now() < until) requestAnimationFrame(frame); else done();
      };
      requestAnimationFrame(frame);
    });
    return ages;
}"""


def report(name, value, unit, peer="none", peer_value=None):
    ratio = None if not peer_value else value / peer_value
    print(json.dumps({"name": name, "value": round(value, 4), "unit": unit, "peer": peer, "peer_value": peer_value, "ratio": ratio}), flush=True)


def opened(browser, url, screen="overview", script=None):
    context = browser.new_context(viewport={"width": 1280, "height": 800}, locale="en-GB")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    if script:
        page.add_init_script(script)
    page.goto(f"{url}/#/{screen}")
    return page


def paint(browser, url):
    times, sizes = [], []
    for _ in range(9):
        page = opened(browser, url, script=FIRST)
        # The page's content policy forbids what waiting for a function needs; a promise needs nothing.
        times.append(page.evaluate("() => new Promise((done) => { const look = () => (window.useful > 0 ? done(window.useful) : setTimeout(look, 20)); look(); })"))
        sizes.append(page.evaluate("performance.getEntriesByType('resource').filter((one) => one.name.includes('/assets/')).reduce((sum, one) => sum + one.transferSize, 0)"))
        page.context.close()
    report("page_first_useful_paint", statistics.median(times), "ms", "of the nine, the slowest", max(times))
    report("page_first_load_of_its_files", statistics.median(sizes) / 1024, "KiB", "goal", 200)


def latency(browser, url, seconds):
    page = opened(browser, url)
    page.wait_for_selector(".bar .value")
    page.wait_for_timeout(3000)
    ages = sorted(page.evaluate(AGES, seconds * 1000))
    page.context.close()
    assert len(ages) > 50, f"only {len(ages)} values changed"
    report("page_reading_to_screen_median", ages[len(ages) // 2], "ms")
    report("page_reading_to_screen_p95", ages[len(ages) * 95 // 100], "ms", "goal", 300)


def browser_load(browser, url, seconds):
    def used():
        return sum(used_s(pid) for pid in tree(os.getpid()) if pid != os.getpid())

    page = opened(browser, url)
    page.wait_for_selector(".bar .value")
    page.wait_for_timeout(5000)
    heap = "performance.memory.usedJSHeapSize"
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable")
    tasks = lambda: next(one["value"] for one in session.send("Performance.getMetrics")["metrics"] if one["name"] == "TaskDuration")
    before, busy, begun = used(), tasks(), time.monotonic()
    page.wait_for_timeout(seconds * 1000)
    took = time.monotonic() - begun
    report("page_browser_main_thread_2000_points", (tasks() - busy) / took * 100, "% of one core")
    # The agent is a child of this process too: what it used is not the browser's.
    report("page_browser_processor_2000_points", (used() - before) / took * 100, "% of one core, agent included")
    report("page_heap_2000_points", page.evaluate(heap) / 1e6, "MB")
    page.context.close()


def server_load(many, pages, seconds):
    def stretch():
        before, begun = many.used_s(), time.monotonic()
        time.sleep(seconds)
        return (many.used_s() - before) / (time.monotonic() - begun) * 100

    host, port = many.url.removeprefix("http://").rsplit(":", 1)
    alone, alone_kib = stretch(), many.resident_kib()
    lines, got = [], 0
    for _ in range(pages):
        line = socket.create_connection((host, int(port)))
        line.sendall(f"GET /api/live HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        line.setblocking(False)
        lines.append(line)
    before, begun = many.used_s(), time.monotonic()
    while time.monotonic() - begun < seconds:
        for line in lines:
            try:
                got += len(line.recv(1 << 20))
            except BlockingIOError:
                pass
        time.sleep(0.02)
    took = time.monotonic() - begun
    with_pages, kib = (many.used_s() - before) / took * 100, many.resident_kib()
    for line in lines:
        line.close()
    report("page_server_processor_a_page", (with_pages - alone) / pages, "% of one core, 2000 points a second", "the agent without a page", alone)
    report("page_server_memory_a_page", (kib - alone_kib) / pages, "KiB")
    report("page_stream_a_page", got / pages / took / 1024, "KiB a second")


def trend(browser, many):
    """From asking for 24 hours to the curve on the canvas, three points."""
    paths = ",".join(f"device/00/value/{at:02}" for at in range(3))
    page = opened(browser, many.url, f"trends/{paths.replace('/', '%2F')}")
    page.wait_for_selector("canvas.plot")
    page.wait_for_timeout(3000)
    times = []
    for _ in range(9):
        page.get_by_role("button", name="10 min").click()
        page.wait_for_timeout(1500)
        with page.expect_response(lambda answer: "/api/readings" in answer.url and "buckets" in answer.url):
            times.append(page.evaluate("""async () => {
                const plot = await import("/assets/js/series.js");
                let waiting = 3;
                const all = new Promise((done) => {
                  const load = plot.Series.prototype.load;
                  plot.Series.prototype.load = async function (...given) { await load.apply(this, given); waiting -= 1; if (waiting === 0) { plot.Series.prototype.load = load; done(this.t.length); } };
                });
                const begun = performance.now();
                [...document.querySelectorAll("button")].find((one) => one.textContent === "24 hours").click();
                window.held = await all;
                await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
                return performance.now() - begun;
            }"""))
        held = page.evaluate("window.held")
        assert held > 500, f"only {held} buckets came"
    report("page_trend_of_24_hours", statistics.median(times), "ms from request to drawn, 3 points", "of the nine, the slowest", max(times))
    page.context.close()


def main():
    lapwing, bench = sys.argv[1:3]

    def a_day(module, place):
        surroundings = {**os.environ, "LAPWING_DAY_CONFIG": str(module), "LAPWING_DAY_DIR": str(place / "store")}
        subprocess.run([bench, "page-day"], env=surroundings, check=True, stdout=sys.stderr)

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox", "--enable-precise-memory-info"])
        with Demo(lapwing, "calm") as demo:
            time.sleep(10)
            paint(browser, demo.url)
            latency(browser, demo.url, 40)
        with Many(lapwing, 2000) as many:
            time.sleep(5)
            server_load(many, 20, 20)
            browser_load(browser, many.url, 30)
        with Many(lapwing, 5, prepare=a_day) as many:
            trend(browser, many)
        browser.close()


if __name__ == "__main__":
    main()
