// Time that is left if something were lost now: batteries against the generator's start, and the three thermal clocks
// against the restart of cooling. And what still fits, with what binds. Points come from the agent's `overview`.

import { h, s, fill, pick, say } from "./dom.js";
import { value } from "./parts.js";
import { alarmOf, byPath, reading, usable } from "./state.js";
import { duration, number, t } from "./text.js";

/** The clocks, or `null` when the module has none. */
export function clocks(roles) {
  const batteries = (roles.ups ?? []).map((one) => one.seconds_left).filter(Boolean);
  const rows = [...(roles.clocks ?? []).map((one) => ({ ...one, seconds: one.seconds ? [one.seconds] : [] })), { name: "battery", seconds: batteries, margin: roles.electrical_margin }]
    .filter((one) => one.seconds.length || (one.margin && byPath.has(one.margin)));
  if (!rows.length) return null;
  const drawn = rows.map(clock);
  return { element: h("div", {}, h("p", { class: "hint", text: t("clocks.hint") }), drawn.map((one) => one.element)), update: () => drawn.forEach((one) => one.update()) };
}

function clock(row) {
  const drawing = s("svg", { viewBox: "0 0 400 26", preserveAspectRatio: "none", "aria-hidden": "true" });
  const left = h("strong", { class: "value" }), words = h("div", { class: "distance" });
  const known = t(`clocks.${row.name}`), what = row.name === "battery" ? "-battery" : "";
  const element = h("div", { class: "clock" }, h("div", { class: "name", text: known === `clocks.${row.name}` ? row.name : known }), left, drawing, words);
  let drawn = "";
  const update = () => {
    const seconds = least(row.seconds), margin = usable(row.margin);
    pick(element, "p-", [row.margin, ...row.seconds].filter(Boolean).map(alarmOf).find(Boolean)?.priority);
    const bad = reading(row.margin)?.quality === 2 && seconds === null;
    say(left, seconds === null ? (bad || margin === null ? t("value.none") : "") : duration(seconds));
    const need = seconds !== null && margin !== null ? seconds - margin : null;
    const sayings = `${seconds}/${margin}`;
    if (sayings === drawn) return;
    drawn = sayings;
    const scale = Math.max(seconds ?? 0, need ?? 0, 1) * 1.15;
    fill(drawing, s("rect", { class: "b-track", x: 0, y: 6, width: 400, height: 14 }),
      seconds === null ? null : s("rect", { class: "b-left", x: 0, y: 6, width: (seconds / scale) * 400, height: 14 }),
      need === null ? null : s("line", { class: "b-limit", x1: (need / scale) * 400, x2: (need / scale) * 400, y1: 0, y2: 26, "vector-effect": "non-scaling-stroke" }));
    say(words, margin === null ? (seconds === null ? t("clocks.unknown") : "") : need !== null && need < 0.5 ? t("clocks.carried") : need === null ? t(margin >= 0 ? "clocks.margin-only" : "clocks.short-only", { margin: duration(Math.abs(margin)) })
      : margin >= 0 ? t(`clocks.margin${what}`, { margin: duration(margin), need: duration(need) }) : t(`clocks.short${what}`, { short: duration(-margin), need: duration(need) }));
    element.classList.toggle("short", margin !== null && margin < 0);
  };
  update();
  return { element, update };
}

/** The least of several, or `null` when none is known. */
function least(paths) {
  const known = paths.map(usable).filter((value) => value !== null);
  return known.length ? Math.min(...known) : null;
}

/** What still fits, or `null`. */
export function capacity(roles) {
  const there = roles.capacity ?? {};
  const rows = ["total", "binds", "power", "cooling"].filter((name) => byPath.has(there[name])).map((name) => ({ ...value(there[name]), name: t(`fits.${name}`) }));
  const racks = (roles.racks ?? []).filter((rack) => byPath.has(rack.fits));
  if (racks.length) rows.push(roomiest(racks));
  if (!rows.length) return null;
  return { element: h("dl", { class: "facts" }, rows.map((one) => [h("dt", { text: one.name }), h("dd", {}, one.element)])), update: () => rows.forEach((one) => one.update()) };
}

/** The rack that has most room, and how much. */
function roomiest(racks) {
  const element = h("span", { class: "value" });
  const update = () => {
    const known = racks.map((rack) => ({ rack, room: usable(rack.fits) })).filter((one) => one.room !== null);
    const best = known.reduce((a, b) => (a && a.room >= b.room ? a : b), null);
    say(element, best ? t("fits.in-rack", { name: best.rack.name, room: `${number(best.room, 1)} ${reading(best.rack.fits).point.unit_text ?? ""}`.trim() }) : t("value.none"));
  };
  update();
  return { element, update, name: t("fits.rack") };
}
