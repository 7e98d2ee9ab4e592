// The power path: sides A and B, each tier's present load, and what it would carry if the other side were lost now, against
// its limit. Comes from the topology; without one there is nothing to draw.

import { ask } from "./api.js";
import { h, fill } from "./dom.js";
import { bar } from "./parts.js";
import { byPath, usable } from "./state.js";
import { t } from "./text.js";

const TIERS = ["main", "busway", "tapoff", "pdu"];

/** The part; fills itself when the topology has come. */
export function power() {
  const element = h("div", {}, h("p", { class: "empty", text: t("loading") }));
  let bars = [];
  ask("topology").then((topology) => {
    const shown = (topology.tiers ?? []).filter((tier) => tier.points && TIERS.includes(tier.kind));
    if (!shown.length) { fill(element, h("p", { class: "empty", text: t("power.none") })); return; }
    const side = (letter) => shown.filter((tier) => (tier.side ?? "").toLowerCase() === letter);
    const common = shown.filter((tier) => !tier.side);
    const draw = (tiers) => tiers.filter((tier) => tier.kind !== "tapoff" && tier.kind !== "pdu").map(tierBar).filter(Boolean);
    const detail = shown.filter((tier) => tier.kind === "tapoff" || tier.kind === "pdu");
    fill(element, draw(common),
      ["a", "b"].filter((letter) => side(letter).length).map((letter) => h("section", { class: "side" }, h("h3", { text: t("power.side", { side: letter.toUpperCase() }) }), draw(side(letter)))),
      detail.length ? h("details", {}, h("summary", { text: t("power.detail") }), detail.map(tierBar)) : null);
  }).catch((error) => fill(element, h("p", { class: "refused", text: error.message })));

  function tierBar(tier) {
    const phases = ["l1", "l2", "l3"].map((phase) => ({ phase, now: tier.points[`${phase}_current`], then: tier.points[`${phase}_failover`] })).filter((one) => one.now && byPath.has(one.now));
    if (!phases.length) return null;
    // The phase that has most to carry after a failover stands for the tier.
    const worst = phases.reduce((a, b) => ((usable(b.then) ?? usable(b.now) ?? 0) > (usable(a.then) ?? usable(a.now) ?? 0) ? b : a));
    const limit = tier.rating_a && tier.limit ? tier.rating_a * tier.limit : null;
    const one = bar(worst.now, tier.name.toUpperCase(), { then: worst.then && byPath.has(worst.then) ? worst.then : null, note: `${worst.phase.toUpperCase()} · ${t(`power.${tier.kind}`)}`, high: limit });
    bars.push(one);
    return one.element;
  }
  return { element, update: () => bars.forEach((one) => one.update()) };
}
