// The module at a glance: its drawing, the time that is left, what is nearest to a limit, the power path, what still fits.
// Which point stands where is what the agent names in `overview`; a part without points is not drawn.

import { h } from "./dom.js";
import { capacity, clocks } from "./clocks.js";
import { drawing } from "./drawing.js";
import { bar } from "./parts.js";
import { power } from "./power.js";
import { about, hear } from "./state.js";
import { t } from "./text.js";

/** The screen. */
export function screen(root) {
  const roles = about.overview ?? {};
  const parts = [];
  const take = (part) => { if (part) { parts.push(part); return part.element; } return null; };
  const sheet = (title, ...content) => (content.flat().some(Boolean) ? h("section", { class: "sheet" }, h("h2", { text: t(title) }), ...content) : null);

  const rows = [
    [roles.supply_temperature, "overview.supply"], [roles.return_temperature, "overview.return"], [roles.flow, "overview.flow"],
    [roles.static_pressure, "overview.static"], [roles.condensation_margin, "overview.condensation"],
    ...(roles.leaving_air ?? []).map((path, n) => [path, "overview.leaving", n + 1]),
    [roles.fan_reserve, "overview.fan-reserve"], [roles.filter_drop, "overview.filter"], [roles.strainer_drop, "overview.strainer"],
    ...(roles.cold_aisle?.humidity ?? []).slice(0, 1).map((path) => [path, "overview.humidity"]),
  ].filter(([path]) => path).map(([path, key, n]) => take(bar(path, n ? `${t(key)} ${n}` : t(key))));

  root.append(h("h1", { class: "only-spoken", text: t("nav.overview") }),
    h("div", { class: "glance" },
      h("div", { class: "plan" }, take(drawing(roles))),
      h("div", { class: "time" }, sheet("overview.time-left", take(clocks(roles)))),
      h("div", { class: "fits" }, sheet("overview.fits", take(capacity(roles))))),
    h("div", { class: "pair" },
      sheet("overview.water-air", rows),
      h("div", {}, sheet("overview.power", take(power(roles))))));

  // News is drawn with the next frame; a slow screen rests three times as long as it has drawn.
  let due = false, next = 0;
  const draw = () => { due = false; const begun = performance.now(); parts.forEach((part) => part.update()); next = performance.now() + 3 * (performance.now() - begun); };
  const frame = () => requestAnimationFrame(draw);
  const update = () => { if (due) return; due = true; const rest = next - performance.now(); if (rest > 1) setTimeout(frame, rest); else frame(); };
  const stops = ["values", "alarms", "lost"].map((topic) => hear(topic, update));
  return { leave: () => stops.forEach((stop) => stop()) };
}
