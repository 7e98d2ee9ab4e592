// The power path: sides A and B, each tier's present load, and what it would carry if the other side were lost now, against
// its limit. Comes from the topology; without one there is nothing to draw.

import { ask } from "./api.js";
import { h, fill, pick } from "./dom.js";
import { bar, lasting, value } from "./parts.js";
import { alarmAt, alarmOf, byPath, hear, usable, worse } from "./state.js";
import { t } from "./text.js";

const TIERS = ["main", "busway", "tapoff", "pdu"];

/** Where the points of a UPS stand. */
const belowUps = (one) => one.seconds_left?.replace(/\/[^/]+$/, "");

/** The alarm a tier's meter, its breaker or the UPS of its name has now. */
export function alarmOfTier(tier, roles) {
  const breaker = (roles.breakers ?? []).find((one) => one.name === tier.name) ?? {};
  const ups = (roles.ups ?? []).find((one) => one.name === tier.name);
  return worse(alarmAt([tier.points?.l1_current?.replace(/\/l1\/current$/, ""), ups && belowUps(ups)], [breaker.position, breaker.trip].filter(Boolean)), alarmOf(tier.points?.l1_current));
}

const SHARED_MS = 2000;
let asked = null, askedAt = -Infinity;
hear("about", () => { askedAt = -Infinity; }); // another plan may have come

/** The power path; drawing and bars of one screen share an answer. */
export function topology() {
  if (performance.now() - askedAt > SHARED_MS) { askedAt = performance.now(); asked = ask("topology"); }
  return asked;
}

/** The part; fills itself when the topology has come. */
export function power(roles) {
  const tiers = h("div", {}, h("p", { class: "empty", text: t("loading") }));
  const bars = [];
  const element = h("div", {}, facts([[t("power.source"), roles.power_source, value], [t("power.draws"), roles.main_power, value]]), tiers, failover(), supplies());
  topology().then((there) => {
    const shown = (there.tiers ?? []).filter((tier) => tier.points && TIERS.includes(tier.kind));
    if (!shown.length) { fill(tiers, h("p", { class: "empty", text: t("power.none") })); return; }
    const side = (letter) => shown.filter((tier) => (tier.side ?? "").toLowerCase() === letter);
    const common = shown.filter((tier) => !tier.side);
    const draw = (some) => some.filter((tier) => tier.kind !== "tapoff" && tier.kind !== "pdu").map(tierBar).filter(Boolean);
    const detail = shown.filter((tier) => tier.kind === "tapoff" || tier.kind === "pdu");
    fill(tiers, draw(common),
      ["a", "b"].filter((letter) => side(letter).length).map((letter) => h("section", { class: "side" }, h("h3", { text: t("power.side", { side: letter.toUpperCase() }) }), draw(side(letter)))),
      detail.length ? folded(detail) : null);
  }).catch((error) => fill(tiers, h("p", { class: "refused", text: error.message })));

  /** The many tiers at the end: drawn only once somebody unfolds them. */
  function folded(detail) {
    const rows = h("div");
    return h("details", { ontoggle: (event) => { if (event.target.open && !rows.childElementCount) rows.append(...detail.map(tierBar).filter(Boolean)); } }, h("summary", { text: t("power.detail") }), rows);
  }

  /** Pairs of a name and a point's value, those without a point left out. */
  function facts(list) {
    const shown = list.filter(([, path]) => byPath.has(path)).map(([name, path, make]) => ({ name, ...make(path) }));
    bars.push(...shown);
    return shown.length ? h("dl", { class: "facts" }, shown.map((one) => [h("dt", { text: one.name }), h("dd", {}, one.element)])) : null;
  }

  /** For the loss of each side: which breaker would come nearest to its limit, and how near. */
  function failover() {
    const rows = (roles.first_breakers ?? []).map((one) => {
      const side = /^side-([a-z])-lost$/.exec(one.name)?.[1]?.toUpperCase();
      const parts = [one.breaker, one.margin].filter((path) => byPath.has(path)).map((path) => value(path));
      bars.push(...parts);
      return parts.length ? [h("dt", { text: side ? t("power.if-lost", { side }) : one.name }), h("dd", {}, parts.map((part, n) => [n ? ` ${t("power.to-limit")} ` : "", part.element]))] : null;
    });
    return rows.some(Boolean) ? h("section", { class: "side" }, h("h3", { text: t("power.failover") }), h("dl", { class: "facts" }, rows)) : null;
  }

  /** How long each UPS lasts, and what it feeds from. */
  function supplies() {
    const rows = (roles.ups ?? []).map((one) => {
      const parts = [byPath.has(one.seconds_left) ? lasting(one.seconds_left) : null, byPath.has(one.source) ? value(one.source) : null].filter(Boolean);
      bars.push(...parts);
      const line = h("dd", {}, parts.map((part, n) => [n ? " · " : "", part.element]));
      bars.push({ update: () => pick(line, "p-", alarmAt(belowUps(one))?.priority) });
      return parts.length ? [h("dt", { text: `UPS ${one.name.toUpperCase()}` }), line] : null;
    });
    return rows.some(Boolean) ? h("section", { class: "side" }, h("h3", { text: t("power.batteries") }), h("dl", { class: "facts" }, rows)) : null;
  }

  function tierBar(tier) {
    const phases = ["l1", "l2", "l3"].map((phase) => ({ phase, now: tier.points[`${phase}_current`], then: tier.points[`${phase}_failover`] })).filter((one) => one.now && byPath.has(one.now));
    if (!phases.length) return null;
    // The phase that has most to carry after a failover stands for the tier.
    const worst = phases.reduce((a, b) => ((usable(b.then) ?? usable(b.now) ?? 0) > (usable(a.then) ?? usable(a.now) ?? 0) ? b : a));
    const limit = tier.rating_a && tier.limit ? tier.rating_a * tier.limit : null;
    const one = bar(worst.now, tier.name.toUpperCase(), { then: worst.then && byPath.has(worst.then) ? worst.then : null, note: `${worst.phase.toUpperCase()} · ${t(`power.${tier.kind}`)}`, high: limit, alarm: () => alarmOfTier(tier, roles) });
    bars.push(one);
    return one.element;
  }
  return { element, update: () => bars.forEach((one) => one.update()) };
}
