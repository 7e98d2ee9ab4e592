"""What befalls a page that stays open: the field falls silent, the agent dies and comes back, its configuration changes, its
person's account goes, secrets are tried, two people act at one moment. Called by `page.py`; every wait is for a thing that
must appear, with a limit.
"""

import time

from playwright.sync_api import expect

from many import Many

SECRET = "471147"
# What the page holds, asked of its own module.
HELD = """async (what) => {
    const state = await import("/assets/js/state.js");
    return { boot: state.about.boot, points: [...state.byPath.keys()], alarms: [...state.alarms.keys()], lost: state.lost }[what];
}"""


def until(what, seconds=20):
    """Asks again and again; the last answer must be true."""
    end = time.monotonic() + seconds
    while not (answer := what()) and time.monotonic() < end:
        time.sleep(0.1)
    assert answer
    return answer


def sign_in(page, name, secret=SECRET):
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("PIN or password").fill(secret)
    page.locator(".pad button.do").click()


def upsets(checks, browser, lapwing, out, open_page):
    with Many(lapwing, 12) as many:
        for name in ("ada", "otto"):
            many.add_account(name, "operator", SECRET)
        page = open_page(browser, many)
        first = page.locator(".bar .value").first
        moving = "() => { const value = document.querySelector('.bar .value'), before = value.textContent; return new Promise((done) => new MutationObserver(() => value.textContent !== before && done(true)).observe(value, { childList: true, subtree: true, characterData: true })); }"

        with checks.check("a silent field: no value is shown as current, and the verdict is not that all is well"):
            page.wait_for_selector(".bar .value")
            page.evaluate(moving)
            many.server.silent = True
            expect(first).to_have_class("value bad", timeout=15_000)
            assert not [text for text in page.locator(".bar .value:not(.bad):not(.old)").all_inner_texts() if text]
            expect(page.locator("#verdict")).not_to_contain_text("is well", timeout=15_000)
            page.screenshot(path=out / "silent.png")
            many.server.silent = False
            expect(first).to_have_class("value", timeout=30_000)
        with checks.check("the agent is killed and comes back: said at once, then live again, with nothing of the old one held"):
            many.kill()
            expect(page.locator("#lost")).to_be_visible(timeout=5_000)
            struck = page.evaluate("getComputedStyle(document.querySelector('.bar .value')).textDecorationLine")
            assert "line-through" in struck, struck
            many.start_again()
            expect(page.locator("#lost")).to_be_hidden(timeout=20_000)
            assert page.evaluate(HELD, "boot") == 2, page.evaluate(HELD, "boot")
            page.evaluate(moving)
        with checks.check("another configuration: its points and alarms are there, those that went are not, nobody has to load the page anew"):
            page.evaluate("window.mine = 1")
            assert "warm" in page.evaluate(HELD, "alarms")
            many.follow(14, ("hot", "hotter"))
            until(lambda: sorted(page.evaluate(HELD, "alarms"))[-2:] == ["hot", "hotter"])
            alarms, points = page.evaluate(HELD, "alarms"), page.evaluate(HELD, "points")
            assert "warm" not in alarms and "device/00/value/13" in points, (alarms, points)
            many.follow(8, ("hot",))
            until(lambda: "hotter" not in page.evaluate(HELD, "alarms"))
            points = page.evaluate(HELD, "points")
            assert "device/00/value/13" not in points and "device/00/value/07" in points, points
            page.evaluate(moving)
            expect(page.locator("#lost")).to_be_hidden()
            assert page.evaluate("window.mine") == 1
        with checks.check("an alarm's settings alone change: the page follows"):
            many.follow(8, ("warm",))
            until(lambda: "warm" in page.evaluate(HELD, "alarms"))
            expect(page.locator(".bar .distance").first).to_contain_text("upper limit", timeout=10_000)
        assert not page.faults, page.faults
        page.context.close()

        pages = [open_page(browser, many, screen="alarms") for _ in range(2)]
        with checks.check("two people acknowledge at one moment: once in the log, and both see it"):
            for page, name in zip(pages, ("ada", "otto")):
                page.locator("#who button").click()
                sign_in(page, name)
                expect(page.locator("#who")).to_contain_text(name)
            many.server.forced[(1, 0)] = 455
            for page in pages:
                page.wait_for_selector("[data-key='ack/warm']", timeout=15_000)
            # Both touches are on their way before either answer is there.
            for page in pages:
                page.evaluate("""setTimeout(() => document.querySelector("[data-key='ack/warm']").click(), 300)""")
            for page in pages:
                expect(page.locator(".told")).to_be_visible(timeout=10_000)
                expect(page.locator("[data-key='ack/warm']")).to_have_count(0, timeout=10_000)
            done = pages[0].evaluate("fetch('/api/events?kind=alarm').then((answer) => answer.json()).then((all) => all.events.filter((event) => event.alarm === 'warm' && event.to === 'acknowledged').map((event) => event.by))")
            assert len(done) == 1 and done[0] in ("ada", "otto"), done
        with checks.check("an account that goes takes its session along: the next touch asks who it is"):
            accounts = many.place / "store" / "accounts.toml"
            kept = accounts.read_bytes()
            accounts.unlink()
            page = pages[0]
            page.locator(".alarm-text", has_text="is above").first.click()
            page.get_by_role("button", name="Shelve …").first.click()
            page.get_by_role("button", name="Work in progress").click()
            page.get_by_role("button", name="15 minutes").click()
            expect(page.get_by_role("heading", name="Who are you?")).to_be_visible()
            expect(page.locator("#who")).to_contain_text("Sign in")
            accounts.write_bytes(kept)
            sign_in(page, "ada")
            # What was asked for is done after that, without being asked for again.
            expect(page.locator(".told")).to_contain_text("helved")
        with checks.check("wrong secrets are counted, then refused for a time, also the right one; the page says how long"):
            page.locator("#who button").click()
            page.locator("#who button", has_text="Sign in").click()
            for left in (4, 3, 2, 1, 0):
                sign_in(page, "otto", "0000")
                said = {1: "1 try is left", 0: "wait five minutes"}.get(left, f"{left} tries are left")
                expect(page.locator("dialog .refused")).to_contain_text(said)
            sign_in(page, "otto")
            expect(page.locator("dialog .refused")).to_contain_text("try again in")
            page.screenshot(path=out / "too-many-tries.png")
            page.locator("dialog").get_by_role("button", name="Cancel").click()
        for page in pages:
            # A refused request is an answer, not a fault of the page.
            faults = [fault for fault in page.faults if "Failed to load resource" not in fault]
            assert not faults, faults
            page.context.close()

    with Many(lapwing, 12, beyond=True) as many:
        many.add_account("ada", "operator", SECRET)
        page = open_page(browser, many)
        with checks.check("where looking needs a person: nothing is shown before, and all of it after"):
            expect(page.locator("#screen")).to_contain_text("Sign in to see the module", timeout=10_000)
            assert not page.evaluate(HELD, "points")
            page.locator("#who button").click()
            sign_in(page, "ada")
            page.wait_for_selector(".bar .value", timeout=15_000)
            page.evaluate(moving)
        with checks.check("the session ends elsewhere: the page says within seconds that somebody must sign in, and is live again after that"):
            done = page.evaluate("""import("/assets/js/state.js").then((state) => fetch("/api/sign-out", { method: "POST", headers: { "Content-Type": "application/json", "X-Lapwing-Token": state.about.csrf }, body: "{}" })).then((answer) => answer.status)""")
            assert done == 200, done
            expect(page.locator("#screen")).to_contain_text("Sign in to see the module", timeout=10_000)
            expect(page.locator("#who")).to_contain_text("Sign in")
            expect(page.locator("#verdict")).not_to_contain_text("is well")
            page.screenshot(path=out / "signed-out.png")
            page.locator("#who button").click()
            sign_in(page, "ada")
            page.wait_for_selector(".bar .value", timeout=15_000)
            page.evaluate(moving)
            expect(page.locator("#lost")).to_be_hidden()
        page.context.close()
