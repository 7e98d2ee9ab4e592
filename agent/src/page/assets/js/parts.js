// Small drawn parts: the priority's mark, a value with its quality, a bar with its limits, a message that goes away.

import { h, s, fill, say, pick } from "./dom.js";
import { distance, limitsOf, scaleOf } from "./limits.js";
import { alarmOf, reading, usable } from "./state.js";
import { duration, t } from "./text.js";
import { parts, said } from "./units.js";

/** The word of a priority in its outline. */
export function mark(priority, extra = "") {
  return h("span", { class: `mark p-${priority} ${extra}`, text: t(`priority.${priority}`) });
}

/** Why a status is not good, in words. */
export function statusWords(status) {
  const key = `status.${(status >>> 16).toString(16)}`;
  const text = t(key);
  return text === key ? t(["status.good", "status.uncertain", "status.bad"][Math.min(2, status >>> 30)]) : text;
}

/** An element that shows a point's value; `update()` renews it. */
export function value(path, { label = false } = {}) {
  const element = h("span", { class: "value" });
  const update = () => {
    const there = reading(path);
    element.classList.toggle("uncertain", there?.quality === 1 && !there.old);
    element.classList.toggle("old", Boolean(there?.old));
    const bad = !there || there.quality === 2 || there.value === null;
    element.classList.toggle("bad", bad);
    if (bad) { say(element, there ? statusWords(there.status) : t("value.none")); return; }
    const [text, unit] = parts(there.point, there.value);
    const whole = unit ? `${text} ${unit}` : text;
    if (element.dataset.whole !== whole) { element.dataset.whole = whole; fill(element, text, unit ? h("small", { text: ` ${unit}` }) : null); }
    if (there.quality === 1) element.title = statusWords(there.status); else element.removeAttribute("title");
    if (label) element.setAttribute("aria-label", `${path} ${whole}`);
  };
  update();
  return { element, update };
}

/** An element that shows a point's seconds as a stretch of time; `update()` renews it. */
export function lasting(path) {
  const element = h("span", { class: "value" });
  const update = () => {
    const seconds = usable(path), there = reading(path);
    element.classList.toggle("old", Boolean(there?.old));
    element.classList.toggle("bad", seconds === null);
    say(element, seconds === null ? (there ? statusWords(there.status) : t("value.none")) : duration(seconds));
  };
  update();
  return { element, update };
}

/** A horizontal bar of a point. `then` is a path whose value is drawn as what it would become. */
export function bar(path, name, { then = null, note = "", high = null, alarm: alarmed = () => alarmOf(path) } = {}) {
  const shownValue = value(path);
  const drawing = s("svg", { viewBox: "0 0 400 30", preserveAspectRatio: "none", "aria-hidden": "true" });
  const words = h("div", { class: "distance" });
  const element = h("div", { class: "bar", "data-path": path }, h("div", { class: "name" }, name, note ? h("small", { text: note }) : null), drawing,
    h("div", { class: "reading" }, shownValue.element), words);
  let drawn = "";
  const update = () => {
    shownValue.update();
    const there = reading(path);
    const point = there?.point;
    if (!point) { element.hidden = true; return; }
    element.hidden = false;
    const limits = limitsOf(path);
    if (high !== null && !limits.high.length) limits.high.push({ at: high, priority: "high" });
    const now = there.quality === 2 ? null : there.value;
    const would = then ? reading(then) : null;
    const wouldBe = would && would.quality !== 2 ? would.value : null;
    const alarm = alarmed();
    pick(element, "p-", alarm?.priority);
    const sayings = JSON.stringify([now, wouldBe, limits]);
    if (sayings === drawn) return;
    drawn = sayings;
    const scale = scaleOf(point, limits, wouldBe === null ? now : Math.max(now ?? wouldBe, wouldBe));
    const x = (at) => ((at - scale.low) / (scale.high - scale.low)) * 400;
    const from = limits.low.length ? limits.low[0].at : scale.low;
    const to = limits.high.length ? limits.high[0].at : scale.high;
    fill(drawing,
      s("rect", { class: "b-track", x: 0, y: 8, width: 400, height: 14 }),
      s("rect", { class: "b-band", x: x(from), y: 8, width: Math.max(0, x(to) - x(from)), height: 14 }),
      [...limits.low, ...limits.high].map((limit) => s("line", { class: "b-limit", x1: x(limit.at), x2: x(limit.at), y1: 2, y2: 28, "vector-effect": "non-scaling-stroke" })),
      wouldBe === null ? null : s("rect", { class: "b-then", x: Math.min(x(0 > scale.low ? 0 : scale.low), x(wouldBe)), y: 5, width: Math.abs(x(wouldBe) - x(Math.max(0, scale.low))), height: 20, "vector-effect": "non-scaling-stroke" }),
      now === null ? null : s("rect", { class: "b-now", x: x(now) - 4, y: 3, width: 8, height: 24 }));
    const far = wouldBe === null ? distance(point, limits, now) : distance(point, limits, wouldBe);
    say(words, wouldBe === null ? far.text : t("distance.after-failover", { value: said(would.point, wouldBe), rest: far.text }));
    words.classList.toggle("over", far.over);
  };
  update();
  return { element, update };
}

/** What an alarm's point shows now, in words; empty where that is no number of its own, or is not known to be good. */
export function present(path) {
  const there = reading(path);
  if (!there || there.quality !== 0 || typeof there.value !== "number" || !there.point.unit_text || Object.keys(there.point.states ?? {}).length) return "";
  return t("alarm.now", { value: said(there.point, there.value) });
}

/** Says something at the foot of the page for a few seconds. */
export function told(text) {
  document.querySelector(".told")?.remove();
  const element = h("div", { class: "told", role: "status", text });
  document.body.append(element);
  setTimeout(() => element.remove(), 6000);
}
