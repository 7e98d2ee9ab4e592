"""The page in a real browser: every screen at three sizes, each action, connection loss and return, keyboard alone, and no
finding of axe-core. Chromium is Debian's; the demo is the agent with its simulated module, on free ports.

    page.py LAPWING OUT [--long]

Screenshots are kept in OUT. The last line is `N passed, N failed`. A check fails on the first thing that is wrong and the
next goes on. Nothing waits for luck: every wait is for a thing that must appear, with a limit.
"""

import contextlib
import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import traceback

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from demo import PIN, Demo
from many import Many
import shape
from upsets import upsets

SIZES = {"panel": (1280, 800), "phone": (390, 844), "wall": (1920, 1080), "large wall": (2560, 1440)}
SCREENS = ["overview", "alarms", "trends", "links", "about"]
WAIT_MS = 30_000
ASSETS = pathlib.Path(__file__).parents[2] / "agent/src/page/assets"


class Checks:
    """Counts what passed; says what failed."""

    def __init__(self):
        self.passed, self.failed = 0, []

    @contextlib.contextmanager
    def check(self, name):
        try:
            yield
        except Exception:
            self.failed.append(name)
            print(f"FAILED {name}\n{traceback.format_exc()}", flush=True)
        else:
            self.passed += 1
            print(f"ok {name}", flush=True)


def open_page(browser, demo, size="panel", scheme="light", screen="overview", locale="en-GB"):
    wide, high = SIZES[size]
    context = browser.new_context(viewport={"width": wide, "height": high}, color_scheme=scheme, locale=locale)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda message: page.faults.append(message.text) if message.type == "error" and "ERR_" not in message.text else None)
    page.goto(f"{demo.url}/#/{screen}")
    page.wait_for_selector("#nav a[aria-current=page]")
    return page


def settled(page, screen):
    """Until the screen holds what it is for."""
    page.evaluate("name => { location.hash = '#/' + name }", screen)
    page.wait_for_selector(f"#nav a[href='#/{screen}'][aria-current=page]")
    held = {"overview": "svg.module .d-value", "alarms": ".alarm-list > *", "trends": "canvas.plot", "links": ".link table", "about": "dl.facts dd"}
    page.wait_for_selector(held[screen], state="attached")


def sign_in(page):
    page.get_by_label("Name", exact=True).fill("ada")
    for digit in PIN:
        page.locator(".pad button", has_text=digit).click()
    page.locator(".pad button.do").click()
    page.wait_for_selector("dialog", state="detached")


def no_overflow(page):
    wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert wide[0] <= wide[1], f"the page is {wide[0]} px wide on a screen of {wide[1]}"


def axe(page):
    found = Axe().run(page)
    worst = [(one["id"], [node["target"] for node in one["nodes"]][:4]) for one in found.response["violations"]]
    assert not worst, worst


def looks(checks, browser, demo, out, scenario):
    for size in SIZES:
        for scheme in ("light", "dark") if size == "panel" else ("light",):
            page = open_page(browser, demo, size, scheme)
            for screen in SCREENS:
                with checks.check(f"{scenario}: {screen} on a {size}, {scheme}"):
                    settled(page, screen)
                    no_overflow(page)
                    axe(page)
                    page.screenshot(path=out / f"{scenario}-{screen}-{size}-{scheme}.png", full_page=True)
            with checks.check(f"{scenario}: no script error on a {size}, {scheme}"):
                assert not page.faults, page.faults
            page.context.close()


def actions(checks, browser, demo, out):
    page = open_page(browser, demo, "panel", screen="overview")
    with checks.check("the verdict names what is wrong first"):
        expect(page.locator("#verdict")).to_contain_text("ump", timeout=WAIT_MS)
    with checks.check("an alarm is acknowledged in two touches once signed in"):
        page.locator("#who button").click()
        page.wait_for_selector("dialog[open]")
        axe(page)
        page.screenshot(path=out / "sign-in.png")
        sign_in(page)
        expect(page.locator("#who")).to_contain_text("ada")
        page.locator("#nav a[href='#/alarms']").click()
        first = page.locator(".alarm-list > .alarm").first
        name = first.locator(".sentence").first.inner_text()
        first.locator("button.do").first.click()
        expect(page.locator(".told")).to_contain_text("cknowledged")
        expect(page.locator(".alarm-list > .alarm", has_text=name).first.locator(".alarm-head").first.locator("button.do")).to_have_count(0)
        demo.wait(lambda line: line.get("kind") == "operator" and line.get("by") == "ada" and line.get("action") == "acknowledge")
    with checks.check("shelving asks for a reason, and the alarm is then in the list of hidden ones"):
        row = page.locator(".alarm-list > .alarm").first
        name = row.locator(".sentence").first.inner_text()
        row.locator(".alarm-text").first.click()
        axe(page)
        page.screenshot(path=out / "alarm-open.png")
        page.get_by_role("button", name="Shelve …").first.click()
        page.get_by_role("button", name="15 minutes").click()
        expect(page.locator("dialog .refused")).to_be_visible()
        page.get_by_role("button", name="Work in progress").click()
        axe(page)
        page.screenshot(path=out / "shelve.png")
        page.get_by_role("button", name="15 minutes").click()
        expect(page.locator(".told")).to_contain_text("helved")
        page.get_by_role("button", name="Hidden").click()
        expect(page.locator(".alarm-list")).to_contain_text(name[:12])
        axe(page)
        page.screenshot(path=out / "hidden.png")
    with checks.check("a shelf is ended"):
        page.get_by_role("button", name="End the shelf").first.click()
        expect(page.locator(".told")).to_contain_text("ended")
    with checks.check("removal from service and return"):
        page.get_by_role("button", name="Present").click()
        row = page.locator(".alarm-list > .alarm").first
        if row.locator(".alarm-more").count() == 0:
            row.locator(".alarm-text").first.click()
        page.get_by_role("button", name="Remove from service …").first.click()
        page.get_by_role("button", name="Sensor at fault").click()
        page.get_by_role("button", name="Remove from service …").last.click()
        expect(page.locator(".told")).to_contain_text("emoved")
        page.get_by_role("button", name="Hidden").click()
        page.get_by_role("button", name="Return to service").first.click()
        expect(page.locator(".told")).to_contain_text("eturned")
    with checks.check("a declared suppression begins and ends"):
        page.get_by_role("button", name="Hidden").click()
        rule = page.locator("article", has_text="People work on the fan wall")
        rule.get_by_role("button").click()
        page.locator("dialog .reasons button").first.click()
        page.locator("dialog").get_by_role("button", name="1 hour").click()
        expect(rule).to_contain_text("until")
        axe(page)
        page.screenshot(path=out / "suppressed.png")
        rule.get_by_role("button", name="Show again").click()
        expect(rule).to_contain_text("not in force")
    with checks.check("a note is in the log"):
        page.get_by_role("button", name="Log", exact=True).click()
        page.get_by_label("A note for the log").fill("Valve V-12 greased")
        page.get_by_role("button", name="Add note").click()
        expect(page.locator(".log")).to_contain_text("Valve V-12 greased")
        axe(page)
        page.screenshot(path=out / "log.png")
    with checks.check("signing out"):
        page.locator("#who button").click()
        expect(page.locator("#who")).to_contain_text("Sign in")
    with checks.check("no script error while acting"):
        assert not page.faults, page.faults
    page.context.close()


def trends(checks, browser, demo, out):
    page = open_page(browser, demo, "panel", screen="trends")
    with checks.check("a point is found, added, zoomed, moved and removed"):
        page.get_by_label("Find a point").fill("rack 07 inlet top")
        page.locator(".found button").first.click()
        expect(page.locator(".legend")).to_contain_text("rack/07/inlet/top/temperature")
        page.wait_for_function("document.querySelector('canvas.plot').getAttribute('aria-label').includes('°C')")
        page.locator("canvas.plot").focus()
        for key in ("+", "+", "ArrowLeft", "-", "End"):
            page.keyboard.press(key)
        page.screenshot(path=out / "trend.png")
        page.get_by_label("Remove rack/07/inlet/top/temperature").click()
        expect(page.locator(".legend")).not_to_contain_text("rack/07")
    with checks.check("US units and German, and back"):
        settled(page, "about")
        page.get_by_role("button", name="US").click()
        page.get_by_role("button", name="Deutsch").click()
        settled(page, "overview")
        expect(page.locator("#nav")).to_contain_text("Überblick")
        expect(page.locator("svg.module")).to_contain_text("°F")
        page.screenshot(path=out / "german-us.png", full_page=True)
        settled(page, "about")
        page.get_by_role("button", name="SI", exact=True).click()
        page.get_by_role("button", name="English").click()
        expect(page.locator("#nav")).to_contain_text("Overview")
    page.context.close()


def keyboard(checks, browser, demo):
    page = open_page(browser, demo, "panel")
    with checks.check("by keyboard alone: to the alarms, open the first, sign in, acknowledge"):
        def to(selector, most=60):
            for _ in range(most):
                page.keyboard.press("Tab")
                if page.evaluate("s => document.activeElement?.matches(s)", selector):
                    return
            raise AssertionError(f"the key Tab never reached {selector}")

        to("#nav a[href='#/alarms']")
        page.keyboard.press("Enter")
        page.wait_for_selector(".alarm button.do")
        to(".alarm-text")
        page.keyboard.press("Enter")
        page.wait_for_selector(".alarm-more")
        to(".alarm button.do")
        page.keyboard.press("Enter")
        page.wait_for_selector("dialog[open]")
        page.keyboard.type("ada")
        page.keyboard.press("Tab")
        page.keyboard.type(PIN)
        page.keyboard.press("Enter")
        expect(page.locator(".told")).to_contain_text("cknowledged")
    page.context.close()


def loss(checks, browser, lapwing, out):
    data = tempfile.mkdtemp(prefix="lapwing-page-loss-")
    try:
        with Demo(lapwing, "calm", data=data) as demo:
            page = open_page(browser, demo)
            settled(page, "overview")
            with checks.check("a lost connection is said within 5 s and its values struck"):
                demo.kill()
                expect(page.locator("#lost")).to_be_visible(timeout=5000)
                struck = page.evaluate("getComputedStyle(document.querySelector('.bar .value')).textDecorationLine")
                assert "line-through" in struck, struck
                left = page.evaluate("""[...document.querySelectorAll(".value, .live, .bar .distance")].filter((e) => e.textContent && /[0-9]/.test(e.textContent) && getComputedStyle(e).textDecorationLine !== "line-through").map((e) => e.textContent)""")
                assert not left, left
                expect(page.locator("#verdict")).to_contain_text("not known")
                page.screenshot(path=out / "lost.png")
            page.context.close()
    finally:
        shutil.rmtree(data, ignore_errors=True)


def live_figures(checks, browser, demo, seconds, what):
    page = open_page(browser, demo)
    with checks.check(f"{what}: readings come live for {seconds} s and the page does not grow"):
        page.wait_for_selector(".bar .value")
        session = page.context.new_cdp_session(page)

        def heap_now():
            session.send("HeapProfiler.collectGarbage")
            return page.evaluate("performance.memory.usedJSHeapSize")

        page.wait_for_timeout(3000)
        nodes, heap = page.evaluate("document.querySelectorAll('*').length"), heap_now()
        page.evaluate("""() => { window.changes = 0; new MutationObserver(() => { window.changes += 1; }).observe(document.querySelector(".bar .value"), { childList: true, subtree: true, characterData: true }); }""")
        page.wait_for_timeout(seconds * 1000)
        after, heap_after = page.evaluate("document.querySelectorAll('*').length"), heap_now()
        changes = page.evaluate("window.changes")
        assert changes >= seconds // 3, f"a value that changes each second was shown anew {changes} times"
        assert not page.locator("#lost").is_visible(), "the connection was lost"
        assert heap_after < heap * 1.25 + 2_000_000, (heap, heap_after)
        print(json.dumps({"name": "page elements", "value": after, "unit": "1", "peer": "at the start", "peer_value": nodes, "ratio": after / nodes}))
        print(json.dumps({"name": "page heap", "value": heap_after, "unit": "B", "peer": "at the start", "peer_value": heap, "ratio": heap_after / max(1, heap)}))
        assert after < nodes * 1.2 + 50, (nodes, after)
    page.context.close()


def every_scenario(checks, browser, lapwing, out):
    """What a person sees of each scenario when its first alarm is there, at first sight: nothing is scrolled."""
    said = subprocess.run([lapwing, "demo", "--scenario", "?"], capture_output=True, text=True).stderr
    names = said.split("the names are:")[1].split(";")[0].replace(",", " ").split()
    for number, scenario in enumerate(name for name in names if name != "calm"):
        with checks.check(f"{scenario}: what is wrong is told first"), Demo(lapwing, scenario) as demo:
            demo.wait(lambda line: "fault" in line, 120)
            alarm = None
            with contextlib.suppress(AssertionError):
                alarm = demo.wait(lambda line: line.get("kind") == "alarm" and line.get("announced") and line.get("active"), 120)
            sizes = ["panel"] + (["phone", "wall"] if number % 5 == 0 else [])
            for size in sizes:
                page = open_page(browser, demo, size)
                for screen in ("overview", "alarms"):
                    settled(page, screen)
                    page.wait_for_timeout(5000)
                    no_overflow(page)
                    page.screenshot(path=out / f"{scenario}-{screen}-{size}.png")
                if alarm:
                    assert "is well" not in page.locator("#verdict").inner_text(), page.locator("#verdict").inner_text()
                else:
                    print(f"{scenario}: no alarm within two minutes", flush=True)
                assert not page.faults, page.faults
                page.context.close()


def main():
    lapwing, out = sys.argv[1], pathlib.Path(sys.argv[2])
    long = "--long" in sys.argv
    out.mkdir(parents=True, exist_ok=True)
    checks = Checks()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox", "--enable-precise-memory-info"])
        with Demo(lapwing, "pump-trip-standby-fails") as demo:
            demo.wait(lambda line: line.get("kind") == "alarm" and line.get("to") == "unacknowledged")
            looks(checks, browser, demo, out, "pump-trip-standby-fails")
            shape.targets(checks, browser, demo, open_page, settled, SCREENS)
            shape.magnified(checks, browser, demo, open_page, settled, SCREENS, no_overflow, axe, out)
            shape.words(checks, browser, demo, open_page, settled, SCREENS, no_overflow, ASSETS, out)
            shape.reached(checks, browser, demo, open_page, settled, SCREENS)
            shape.paper(checks, browser, demo, open_page, settled, SCREENS, out)
            shape.policy(checks, browser, demo, open_page, settled, SCREENS)
            actions(checks, browser, demo, out)
            trends(checks, browser, demo, out)
        with Demo(lapwing, "fan-lost") as demo:
            demo.wait(lambda line: line.get("kind") == "alarm" and line.get("to") == "unacknowledged")
            keyboard(checks, browser, demo)
        with Demo(lapwing, "calm") as demo:
            with checks.check("calm: the verdict says that the module is well"):
                page = open_page(browser, demo)
                expect(page.locator("#verdict")).to_contain_text("is well", timeout=WAIT_MS)
                settled(page, "overview")
                page.screenshot(path=out / "calm-overview.png", full_page=True)
                page.context.close()
            live_figures(checks, browser, demo, 15, "the demo")
        with Many(lapwing, 2000) as many:
            live_figures(checks, browser, many, 600 if long else 15, "2000 points")
        loss(checks, browser, lapwing, out)
        upsets(checks, browser, lapwing, out, open_page)
        if long:
            every_scenario(checks, browser, lapwing, out)
        browser.close()
    print(f"{checks.passed} passed, {len(checks.failed)} failed")
    sys.exit(1 if checks.failed else 0)


if __name__ == "__main__":
    main()
