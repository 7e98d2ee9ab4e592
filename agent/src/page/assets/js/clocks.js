// Time that is left if something were lost now: batteries against the generator's start, and the three thermal clocks
// against the restart of cooling. And what still fits, with what binds. Points come from the agent's `overview`.

import { h, s, fill, say } from "./dom.js";
import { value } from "./parts.js";
import { byPath, reading, usable } from "./state.js";
import { duration, t } from "./text.js";

/** The clocks, or `null` when the module has none. */
export function clocks(roles) {
  const rows = [...(roles.clocks ?? []), ...(roles.electrical_margin ? [{ name: "battery", seconds: roles.battery_seconds, margin: roles.electrical_margin }] : [])]
    .filter((one) => (one.seconds && byPath.has(one.seconds)) || (one.margin && byPath.has(one.margin)));
  if (!rows.length) return null;
  const drawn = rows.map(clock);
  return { element: h("div", {}, h("p", { class: "hint", text: t("clocks.hint") }), drawn.map((one) => one.element)), update: () => drawn.forEach((one) => one.update()) };
}

function clock(row) {
  const drawing = s("svg", { viewBox: "0 0 400 26", preserveAspectRatio: "none", "aria-hidden": "true" });
  const left = h("strong", { class: "value" }), words = h("div", { class: "distance" });
  const known = t(`clocks.${row.name}`);
  const element = h("div", { class: "clock" }, h("div", { class: "name", text: known === `clocks.${row.name}` ? row.name : known }), left, drawing, words);
  const update = () => {
    const seconds = usable(row.seconds), margin = usable(row.margin);
    const bad = reading(row.margin)?.quality === 2 && seconds === null;
    say(left, seconds === null ? (bad || margin === null ? t("value.none") : "") : duration(seconds));
    const need = seconds !== null && margin !== null ? seconds - margin : null;
    const scale = Math.max(seconds ?? 0, need ?? 0, 1) * 1.15;
    fill(drawing, s("rect", { class: "b-track", x: 0, y: 6, width: 400, height: 14 }),
      seconds === null ? null : s("rect", { class: "b-left", x: 0, y: 6, width: (seconds / scale) * 400, height: 14 }),
      need === null ? null : s("line", { class: "b-limit", x1: (need / scale) * 400, x2: (need / scale) * 400, y1: 0, y2: 26, "vector-effect": "non-scaling-stroke" }));
    say(words, margin === null ? "" : need === null ? t(margin >= 0 ? "clocks.margin-only" : "clocks.short-only", { margin: duration(Math.abs(margin)) })
      : margin >= 0 ? t("clocks.margin", { margin: duration(margin), need: duration(need) }) : t("clocks.short", { short: duration(-margin), need: duration(need) }));
    element.classList.toggle("short", margin !== null && margin < 0);
  };
  update();
  return { element, update };
}

/** What still fits, or `null`. */
export function capacity(roles) {
  const rows = Object.entries(roles.capacity ?? {}).filter(([, path]) => typeof path === "string" && byPath.has(path));
  if (!rows.length) return null;
  const shown = rows.map(([name, path]) => { const one = value(path); const known = t(`fits.${name}`); return { ...one, name: known === `fits.${name}` ? name : known }; });
  return { element: h("dl", { class: "facts" }, shown.map((one) => [h("dt", { text: one.name }), h("dd", {}, one.element)])), update: () => shown.forEach((one) => one.update()) };
}
