"""How the screens are made: targets for gloves, magnified text, every text in the reader's language and units, what stands on
paper, what a policy forbids. Called by `page.py`.
"""

import json
import re

# Every place a finger may touch, in the page's own pixels: a name and its rectangle. A link inside a sentence is excepted
# (WCAG 2.2, 2.5.8: inline), and so is what is only there for the keyboard.
TOUCHED = """() => [...document.querySelectorAll("a[href], button, input, select, textarea, summary")]
    .filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.matches(".skip") && !(e.matches("a") && getComputedStyle(e).display === "inline" && e.closest("p")))
    .filter((e) => !document.querySelector("dialog[open]") || e.closest("dialog[open]"))
    .map((e) => { const r = e.getBoundingClientRect(); return { name: (e.getAttribute("aria-label") ?? e.textContent).trim().slice(0, 40) || e.tagName, x: r.x, y: r.y, w: r.width, h: r.height }; })
    .filter((r) => r.w > 0 && r.h > 0)"""
# Texts that are shown: of elements, of labels, of what stands in an empty field.
SHOWN = """() => { const found = new Set(), walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) if (walk.currentNode.textContent.trim()) found.add(walk.currentNode.textContent.trim());
    for (const e of document.querySelectorAll("[aria-label], [placeholder], [title]")) for (const name of ["aria-label", "placeholder", "title"]) if (e.getAttribute(name)) found.add(e.getAttribute(name).trim());
    return [...found]; }"""
# A 10-inch panel of 1280 by 800 has 5.9 pixels a millimetre.
LEAST_PX, APART_PX = 90, 17.5


def narrow(places):
    """Targets that are too small, and pairs that are too near."""
    small = [(one["name"], round(one["w"]), round(one["h"])) for one in places if one["w"] < LEAST_PX - 0.5 or one["h"] < LEAST_PX - 0.5]
    near = []
    for n, a in enumerate(places):
        for b in places[n + 1 :]:
            across = max(a["x"], b["x"]) - min(a["x"] + a["w"], b["x"] + b["w"])
            down = max(a["y"], b["y"]) - min(a["y"] + a["h"], b["y"] + b["h"])
            if max(across, down) < APART_PX:
                near.append((a["name"], b["name"], round(max(across, down), 1)))
    return small, near


def targets(checks, browser, demo, open_page, settled, screens):
    page = open_page(browser, demo, "panel")
    for screen in screens:
        with checks.check(f"{screen}: what is touched on the panel is 90 px wide and high, 3 mm apart"):
            settled(page, screen)
            if screen == "alarms":
                page.wait_for_selector(".alarm button.do")
                page.locator(".alarm-text").first.click()
                page.wait_for_selector(".alarm-more")
            if screen == "trends":
                page.locator("input[type=search]").fill("rack 07")
                page.wait_for_selector(".found button")
            if screen in ("links", "overview"):
                page.locator("details summary").first.click()
            small, near = narrow(page.evaluate(TOUCHED))
            assert not small and not near, (small, near)
    with checks.check("the other views of the alarms, and the dialogs: targets too"):
        settled(page, "alarms")
        for view in ("Hidden", "Log", "Figures", "Present"):
            page.get_by_role("group", name="Which alarms").get_by_role("button", name=view).click()
            small, near = narrow(page.evaluate(TOUCHED))
            assert not small and not near, (view, small, near)
        page.locator("#who button").click()
        page.wait_for_selector("dialog[open]")
        small, near = narrow(page.evaluate(TOUCHED))
        assert not small and not near, ("sign in", small, near)
        high = page.evaluate("document.querySelector('dialog').scrollHeight - document.querySelector('dialog').clientHeight")
        assert high <= 0, f"the dialog must be scrolled by {high} px"
    page.context.close()


def magnified(checks, browser, demo, open_page, settled, screens, no_overflow, axe, out):
    """200 % on the panel, and the 320 px of WCAG 2.2, 1.4.10, where only what is two-dimensional may be scrolled across."""
    for name, wide, high, ratio in (("200 %", 640, 400, 2), ("320 px", 320, 640, 1)):
        context = browser.new_context(viewport={"width": wide, "height": high}, device_scale_factor=ratio, locale="en-GB")
        page = context.new_page()
        page.goto(f"{demo.url}/#/overview")
        page.wait_for_selector("#nav a[aria-current=page]")
        for screen in screens:
            with checks.check(f"{screen} at {name}: nothing is cut, no finding"):
                settled(page, screen)
                no_overflow(page)
                axe(page)
                page.screenshot(path=out / f"magnified-{wide}-{screen}.png", full_page=True)
        context.close()


def words(checks, browser, demo, open_page, settled, screens, no_overflow, assets, out):
    """German with US units: no English text of the page is left, no decimal point, nothing is cut."""
    text = lambda code: dict(re.findall(r'(?:"([a-z0-9_./-]+)"|\b(?:[a-z]+)): "([^"]*)"', (assets / "texts" / f"{code}.js").read_text()))
    english, german = text("en"), text("de")
    assert len(english) > 200
    # What is the same word in both, or is a gap alone, tells nothing.
    foreign = {words for key, words in english.items() if key and words and words != german.get(key) and words not in german.values() and "{" not in words}
    # Names of states are the agent's, in the site's language.
    states = {name for point in demo.get("/api/points")["points"] for name in point.get("states", {}).values()}
    for units in ("us", "si"):
        page = open_page(browser, demo, "panel", locale="de-DE")
        page.evaluate("units => localStorage.setItem('units', units)", units)
        page.reload()
        page.wait_for_selector("#nav a[aria-current=page]")
        for screen in [*screens, "alarms/hidden", "alarms/log", "alarms/figures"]:
            with checks.check(f"{screen} in German with {units} units: no English text, decimal comma, nothing cut"):
                place = screen.split("/")[0]
                settled(page, place)
                if "/" in screen:
                    page.goto(f"{demo.url}/#/{screen}")
                    page.reload()
                    page.wait_for_selector(".alarm-list > *", state="attached")
                page.wait_for_timeout(300)
                shown = page.evaluate(SHOWN)
                left = foreign.intersection(shown) - states
                assert not left, left
                keys = [one for one in shown if re.fullmatch(r"[a-z][a-z-]*\.[a-z0-9_.-]+", one) and one in english]
                assert not keys, f"keys without a text: {keys}"
                values = page.locator(".value").all_text_contents()
                # A point may part thousands, and nothing else.
                points = [one for one in values if re.search(r"\d\.\d", re.sub(r"(?<=\d)\.(?=\d{3}(?!\d))", "", one))]
                assert not points, points
                no_overflow(page)
                cut = page.evaluate("""() => [...document.querySelectorAll("button, .mark, h2, h3, dt, dd, #nav a, .distance, .name")].filter((e) => e.checkVisibility() && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline").map((e) => e.textContent.slice(0, 60))""")
                assert not cut, cut
                page.screenshot(path=out / f"german-{units}-{screen.replace('/', '-')}.png", full_page=True)
        page.context.close()
    page = open_page(browser, demo, "phone", locale="de-DE")
    for screen in screens:
        with checks.check(f"{screen} in German on a phone: nothing cut"):
            settled(page, screen)
            no_overflow(page)
            page.screenshot(path=out / f"german-phone-{screen}.png", full_page=True)
    page.context.close()


def reached(checks, browser, demo, open_page, settled, screens):
    """With the key Tab alone everything that can be touched is reached, in the order it is read, and it is seen where the focus is."""
    page = open_page(browser, demo, "panel")
    for screen in screens:
        with checks.check(f"{screen}: the key Tab reaches everything, and the focus is seen"):
            settled(page, screen)
            page.wait_for_timeout(300)
            wanted = page.evaluate("""() => { const all = [...document.querySelectorAll("a[href], button:not(:disabled), input, select, summary")].filter((e) => e.checkVisibility({ visibilityProperty: true }));
                all.forEach((e, n) => { e.dataset.walk = n; }); document.activeElement?.blur(); scrollTo(0, 0); return all.length; }""")
            seen, dim = [], []
            for _ in range(wanted + 25):
                page.keyboard.press("Tab")
                at = page.evaluate("""() => { const e = document.activeElement; if (!e || e === document.body) return null;
                    const style = getComputedStyle(e), r = e.getBoundingClientRect();
                    return { walk: e.dataset.walk, name: (e.getAttribute("aria-label") ?? e.textContent ?? e.tagName).slice(0, 40), seen: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, inside: r.bottom > 0 && r.top < innerHeight }; }""")
                if at is None:
                    continue
                if at["walk"] is not None:
                    seen.append(int(at["walk"]))
                if not at["seen"] or not at["inside"]:
                    dim.append(at)
            assert wanted > 5 and set(range(wanted)) <= set(seen), (wanted, sorted(set(range(wanted)) - set(seen)))
            # A new screen has the focus on what it holds; the ways to the others come round after it.
            first = list(dict.fromkeys(seen))
            first = first[first.index(0) :] + first[: first.index(0)]
            assert first == sorted(first), first
            assert not dim, dim[:4]
    with checks.check("a dialog keeps the focus, and Escape closes it and gives it back"):
        page.locator("#who button").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("dialog[open]")
        for _ in range(25):
            page.keyboard.press("Tab")
            assert page.evaluate("document.activeElement === document.body || Boolean(document.activeElement.closest('dialog'))")
        page.keyboard.press("Escape")
        page.wait_for_selector("dialog", state="detached")
        assert page.evaluate("document.activeElement?.closest('#who') !== null")
    page.context.close()


def paper(checks, browser, demo, open_page, settled, screens, out):
    """Each screen on paper: what is there is printed, nothing wider than the sheet."""
    page = open_page(browser, demo, "panel", scheme="dark")
    for screen in screens:
        with checks.check(f"{screen} on paper: black on white, whose it is, nothing folded away"):
            page.emulate_media(media="screen")
            settled(page, screen)
            page.wait_for_timeout(500)
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
            page.evaluate("dispatchEvent(new Event('beforeprint'))")
            page.emulate_media(media="print")
            wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
            assert wide[0] <= wide[1], wide
            assert not page.evaluate("[...document.querySelectorAll('#nav, #who')].filter((e) => e.checkVisibility()).length")
            assert "saltmarsh m1" in page.locator("#paper").inner_text()
            colours = page.evaluate("[getComputedStyle(document.body).backgroundColor, getComputedStyle(document.querySelector('#verdict a')).color]")
            assert colours == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"], colours
            if screen == "alarms":
                # A moment later the screen may have drawn anew; what was opened for the paper stays open.
                shown, present = page.evaluate("import('/assets/js/state.js').then((state) => [document.querySelectorAll('.alarm').length, state.present().length])")
                assert shown >= present > 3, (shown, present)
            page.pdf(path=str(out / f"paper-{screen}.pdf"), format="A4", print_background=True)
    page.context.close()


def policy(checks, browser, demo, open_page, settled, screens):
    """Only the page's own files, nothing inline, and a first load below 200 KB."""
    page = open_page(browser, demo, "panel")
    with checks.check("the content policy is strict, nothing asks for another host, and nothing is refused by it"):
        asked, broken = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: broken.append(message.text) if "Content Security Policy" in message.text else None)
        answer = page.goto(demo.url + "/")
        said = answer.headers["content-security-policy"]
        rules = {part.split()[0]: part.split()[1:] for part in said.split(";") if part.strip()}
        assert rules["default-src"] == ["'none'"] and "unsafe" not in said and "*" not in said, said
        for name in ("script-src", "style-src", "connect-src", "img-src"):
            assert rules[name] == ["'self'"], said
        for screen in screens:
            settled(page, screen)
        strange = [url for url in asked if not url.startswith(demo.url + "/")]
        assert not strange and not broken, (strange, broken)
        assert not page.evaluate("document.querySelectorAll('script:not([src]), [style], style').length")
        # What the policy forbids is tried: it must fail, or the policy is not in force.
        page.evaluate("() => { const script = document.createElement('script'); script.textContent = 'window.leaked = 1'; document.body.append(script); }")
        assert page.evaluate("window.leaked") is None and broken, "an inline script ran"
    with checks.check("the first load is below 200 KB"):
        fresh = browser.new_context()
        first = fresh.new_page()
        sizes = []
        first.on("response", lambda answer: sizes.append(answer))
        first.goto(demo.url + "/")
        first.wait_for_selector("svg.module .d-value", state="attached")
        took = sum(len(answer.body()) for answer in sizes if "/api/" not in answer.url)
        print(json.dumps({"name": "page first load", "value": round(took / 1024, 1), "unit": "KiB", "peer": "goal", "peer_value": 200, "ratio": took / 1024 / 200}))
        assert 20_000 < took < 200_000, took
        fresh.close()
    page.context.close()
