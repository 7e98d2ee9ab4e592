// The module drawn as what it is, in plan: hot aisle along one side, cold aisle along the other, the racks between them, at
// one end the coil with the fan wall behind it and the water loop. Air goes round: hot aisle → coil → fans → cold aisle →
// racks. Lines and words only; a part in alarm gets its priority's outline. Symbols after ISO 14617 (pump, heat exchanger).

import { h, put, s, say } from "./dom.js";
import { alarmOfTier, topology } from "./power.js";
import { alarmAt, alarmOf, reading, usable } from "./state.js";
import { limitsOf } from "./limits.js";
import { said } from "./units.js";
import { t, number } from "./text.js";
import { statusWords } from "./parts.js";

const WIDE = 1000, HIGH = 470, COIL = { x: 250, y: 128, w: 172, h: 40 }, FANS = { x: 250, y: 196, w: 172, h: 66 };
const RACKS = { x: 452, y: 196, w: 520, h: 66 }, COLD = { y: 300, h: 120 };

/** The drawing, or `null` when nothing of it has points. */
export function drawing(roles) {
  if (!roles.supply_temperature && !(roles.racks ?? []).length) return null;
  const live = [];
  const picture = s("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, class: "module", role: "img", "aria-label": t("drawing.label") });
  picture.append(
    s("rect", { x: 12, y: 12, width: WIDE - 24, height: HIGH - 24, class: "wall" }),
    s("line", { x1: 230, x2: 230, y1: 12, y2: HIGH - 12, class: "partition" }),
    words(RACKS.x, 42, t("drawing.hot-aisle"), "title"), words(RACKS.x, HIGH - 26, t("drawing.cold-aisle"), "title"),
    words(28, 42, t("drawing.plant"), "title"),
    arrow(`M ${RACKS.x + RACKS.w - 30} 84 H ${COIL.x + COIL.w / 2} V ${COIL.y - 6}`, "air"),
    arrow(`M ${FANS.x + FANS.w / 2} 300 V 436 H ${RACKS.x - 14}`, "air"));

  const label = (x, y, path, name, anchor = "start") => { if (path?.length) live.push(quantity(picture, x, y, path, name, anchor)); };
  water(picture, roles, label, live);
  label(RACKS.x, 72, roles.hot_aisle?.temperature, t("drawing.air"));
  if (roles.filter_drop) live.push(quantity(picture, COIL.x, 72, roles.filter_drop, t("drawing.filter"), "start", (path) => alarmAt(beside(path), [path])));
  label(COIL.x + COIL.w + 8, 112, roles.entering_air, "");
  label(FANS.x, 286, roles.leaving_air, t("drawing.leaving"));
  fans(picture, roles, live);
  racks(picture, roles.racks ?? [], live);
  doors(picture, roles.doors ?? [], live);
  busways(picture, roles, live);
  chiller(picture, roles.chiller, live);
  warnings(picture, roles, live);
  // What stands beside the switch (utility, generator) is in alarm where the switch is drawn.
  const supply = roles.power_source && beside(roles.power_source);
  if (supply) live.push(quantity(picture, RACKS.x + RACKS.w - 10, 110, roles.power_source, t("power.source"), "end", () => alarmAt(supply)));
  label(RACKS.x + 160, HIGH - 26, roles.cold_aisle?.temperature, "");
  label(RACKS.x + 250, HIGH - 26, roles.cold_aisle?.humidity, "");
  const update = () => live.forEach((one) => one());
  update();
  return { element: h("div", { class: "sheet drawing", tabindex: 0, role: "group", "aria-label": t("drawing.label") }, picture), update };
}

/** Where a point stands: what is measured beside it begins so. */
const beside = (path) => path.replace(/\/[^/]+$/, "");
function words(x, y, text, kind = "", anchor = "start") { return s("text", { x, y, class: `d-${kind || "text"}`, "text-anchor": anchor, text }); }
function arrow(path, kind) {
  const tip = s("marker", { id: `tip-${kind}`, viewBox: "0 0 10 10", refX: 8, refY: 5, markerWidth: 3.2, markerHeight: 3.2, orient: "auto" },
    s("path", { d: "M0 0 L10 5 L0 10z", class: `tip ${kind}` }));
  return s("g", {}, s("defs", {}, tip), s("path", { d: path, class: `d-path ${kind}`, "marker-end": `url(#tip-${kind})` }));
}

/** An outline round a part while its point is in alarm. */
function outline(parent, x, y, w, height, paths, live) {
  const box = s("rect", { x: x - 4, y: y - 4, width: w + 8, height: height + 8, class: "d-outline" });
  parent.append(box);
  live.push(() => {
    const worst = paths.map(alarmOf).filter(Boolean).sort((a, b) => "critical high medium low".indexOf(a.priority) - "critical high medium low".indexOf(b.priority))[0];
    put(box, "class", `d-outline ${worst ? `p-${worst.priority}` : ""}`);
  });
}

/** A value where it is measured; of several sensors of one place the first, or the one that is in alarm. */
function quantity(parent, x, y, some, name, anchor, alarmed = alarmOf) {
  const paths = [some].flat();
  const text = s("text", { x, y, class: "d-value", "text-anchor": anchor });
  const box = s("rect", { class: "d-outline" });
  parent.append(box, text);
  // Measuring a text makes the browser lay everything out: only where it says something else.
  let measured = null;
  return () => {
    const path = paths.find(alarmOf) ?? paths[0], there = reading(path);
    const bad = !there || there.quality === 2;
    const value = bad ? (there ? statusWords(there.status) : "–") : said(there.point, there.value);
    const whole = name ? `${name} ${value}` : value;
    say(text, whole);
    put(text, "class", `d-value value ${bad ? "d-bad" : ""} ${there?.old ? "old" : ""} ${there?.quality === 1 ? "uncertain" : ""}`);
    const alarm = alarmed(path);
    put(box, "class", `d-outline ${alarm ? `p-${alarm.priority}` : ""}`);
    if (measured === whole) return;
    const length = text.getComputedTextLength?.();
    if (length) measured = whole;
    const wide = (length || whole.length * 8.6) + 12;
    for (const [key, at] of Object.entries({ x: anchor === "end" ? x - wide + 6 : x - 6, y: y - 18, width: wide, height: 25 })) put(box, key, at);
  };
}

function water(picture, roles, label, live) {
  if (!roles.supply_temperature && !roles.flow) return;
  const cold = 330, warm = 100;
  picture.append(
    arrow(`M 24 ${cold} H 236 V ${COIL.y + COIL.h - 10} H ${COIL.x - 2}`, "water"), arrow(`M ${COIL.x - 2} ${COIL.y + 10} H 212 V ${warm} H 26`, "water"),
    s("rect", { x: COIL.x, y: COIL.y, width: COIL.w, height: COIL.h, class: "part" }),
    s("path", { d: `M${COIL.x} ${COIL.y + COIL.h / 2} h30 l14 -12 l22 24 l22 -24 l22 24 l22 -24 l12 12 h28`, class: "d-path water thin" }),
    words(COIL.x, COIL.y - 8, t("drawing.coil"), "title"));
  outline(picture, COIL.x, COIL.y, COIL.w, COIL.h, [roles.condensation_margin, roles.entering_air].filter(Boolean), live);
  label(28, cold + 26, roles.supply_temperature, t("drawing.supply"));
  label(28, warm - 12, roles.return_temperature, t("drawing.return"));
  label(28, cold + 54, roles.flow, "");
  label(28, cold + 82, roles.static_pressure, "");
  (roles.pumps ?? []).forEach((pump, n) => {
    const [x, y] = [72 + n * 78, cold - 62];
    const circle = s("circle", { cx: x, cy: y, r: 24, class: "part" });
    const turning = s("path", { d: `M${x - 12} ${y - 19} L${x + 24} ${y} L${x - 12} ${y + 19}z`, class: "symbol" });
    const name = words(x, y - 46, t("drawing.pump", { name: pump.name }), "text", "middle"), state = words(x, y - 31, "", "text live", "middle");
    picture.append(s("path", { d: `M${x} ${y + 24} V${cold}`, class: "d-path water thin" }), circle, turning, name, state);
    outline(picture, x - 24, y - 24, 48, 48, [pump.state, pump.speed].filter(Boolean), live);
    live.push(() => {
      const there = reading(pump.state);
      const running = there && there.point.states?.[String(there.value)] ? /run/i.test(there.point.states[String(there.value)]) : (usable(pump.speed) ?? 0) > 0;
      put(turning, "class", running ? "symbol on" : "symbol");
      say(state, there && there.quality !== 2 ? said(there.point, there.value) : t("value.none"));
    });
  });
}

function fans(picture, roles, live) {
  const list = roles.fans ?? [];
  if (!list.length) return;
  // What the fans have in common (their command, the pressure they make) is in alarm round all of them.
  const wall = beside([roles.fan_rise, roles.fan_reserve].find(Boolean) ?? "");
  const around = s("rect", { x: FANS.x - 5, y: FANS.y - 3, width: FANS.w + 10, height: FANS.h + 4, class: "d-outline" });
  picture.append(around);
  live.push(() => { const alarm = wall ? alarmAt(wall) : null; put(around, "class", `d-outline ${alarm ? `p-${alarm.priority}` : ""}`); });
  const across = Math.ceil(list.length / 2), w = FANS.w / across;
  list.forEach((fan, n) => {
    const x = FANS.x + (n % across) * w + 2, y = FANS.y + Math.floor(n / across) * 33;
    const box = s("rect", { x, y, width: w - 4, height: 29, class: "part" }), mute = words(x + w / 2 - 2, y + 20, "?", "text", "middle"), blade = s("path", { d: `M${x + 3} ${y + 22} Q${x + w / 2 - 2} ${y} ${x + w - 7} ${y + 22}`, class: "symbol-line" });
    const title = s("title");
    picture.append(s("g", {}, box, blade, mute, title));
    outline(picture, x + 3, y + 3, w - 10, 23, [fan.speed, fan.running, fan.fault].filter(Boolean), live);
    live.push(() => {
      const speed = reading(fan.speed), running = fan.running ? usable(fan.running) : null;
      const turns = running === null ? (usable(fan.speed) ?? 0) > 30 : running === 1 && (usable(fan.speed) ?? 1) > 30;
      const known = usable(fan.speed) !== null || running !== null;
      put(mute, "visibility", known ? "hidden" : "visible");
      put(blade, "visibility", known ? "visible" : "hidden");
      put(blade, "class", turns ? "symbol-line on" : "symbol-line");
      put(box, "class", turns ? "part" : "part still");
      say(title, `${fan.name}: ${speed && speed.quality !== 2 ? said(speed.point, speed.value) : t("value.none")}`);
    });
  });
  const text = words(FANS.x, FANS.y - 8, "", "text live");
  picture.append(text);
  live.push(() => {
    const speeds = list.map((fan) => usable(fan.speed)), unknown = speeds.filter((speed) => speed === null).length;
    say(text, t(unknown ? "drawing.fans-unknown" : "drawing.fans", unknown ? { on: speeds.filter((speed) => speed > 30).length, unknown } : { on: speeds.filter((speed) => speed > 30).length, of: list.length }));
  });
}

/** The racks in a row, and below each the hottest inlet between the limits: how near, seen as height. */
function racks(picture, list, live) {
  if (!list.length) return;
  const w = RACKS.w / list.length;
  const first = list.flatMap((rack) => rack.inlets ?? [])[0];
  const band = s("rect", { class: "b-band" }), limitLine = s("line", { class: "b-limit" }), limitText = words(RACKS.x + RACKS.w + 2, 0, "", "small", "end"), lowText = words(RACKS.x + RACKS.w + 2, 0, "", "small", "end");
  picture.append(s("rect", { x: RACKS.x, y: COLD.y, width: RACKS.w, height: COLD.h, class: "b-track" }), band, limitLine, limitText, lowText, words(RACKS.x, COLD.y - 8, t("drawing.inlets"), "text"));
  const marks = list.map((rack, n) => {
    const x = RACKS.x + n * w;
    const box = s("rect", { x: x + 1.500, y: RACKS.y, width: w - 3, height: RACKS.h, class: "part" });
    const name = words(x + w / 2, RACKS.y + 26, rack.name, "text", "middle"), load = words(x + w / 2, RACKS.y + 50, "", "small live", "middle");
    const dot = s("rect", { width: Math.max(8, w * 0.5), height: 7, x: x + w / 2 - Math.max(8, w * 0.5) / 2, class: "b-now" }), title = s("title");
    picture.append(s("g", {}, box, name, load, title), dot);
    outline(picture, x + 5, RACKS.y + 3, w - 10, RACKS.h - 6, [...(rack.inlets ?? []), rack.outlet, ...(rack.powers ?? [])].filter(Boolean), live);
    return { rack, dot, load, title };
  });
  const none = words(RACKS.x + RACKS.w / 2, COLD.y + COLD.h / 2 + 5, t("drawing.no-inlet"), "value", "middle");
  picture.append(words(RACKS.x, RACKS.y - 8, t("drawing.racks"), "text"), none);
  live.push(() => {
    const limits = first ? limitsOf(first) : { low: [], high: [] };
    const hot = limits.high.at(-1)?.at ?? 32, warm = limits.high[0]?.at ?? 27, cold = limits.low[0]?.at ?? 18;
    const low = Math.min(cold, 15) - 1, high = hot + 3;
    const y = (at) => COLD.y + COLD.h - ((Math.max(low, Math.min(high, at)) - low) / (high - low)) * COLD.h;
    const point = first ? reading(first)?.point : null;
    for (const [key, value] of Object.entries({ x: RACKS.x, width: RACKS.w, y: y(warm), height: Math.max(0, y(cold) - y(warm)) })) put(band, key, value);
    for (const [key, value] of Object.entries({ x1: RACKS.x, x2: RACKS.x + RACKS.w, y1: y(hot), y2: y(hot) })) put(limitLine, key, value);
    if (point) { put(limitText, "y", y(hot) - 3); say(limitText, said(point, hot)); put(lowText, "y", y(cold) + 12); say(lowText, said(point, cold)); }
    put(none, "visibility", list.some((rack) => (rack.inlets ?? []).some((path) => usable(path) !== null)) ? "hidden" : "visible");
    for (const { rack, dot, load, title } of marks) {
      const inlets = (rack.inlets ?? []).map(usable).filter((value) => value !== null);
      put(dot, "visibility", inlets.length ? "visible" : "hidden");
      const hottest = Math.max(...inlets);
      if (inlets.length) put(dot, "y", y(hottest) - 3.5);
      const shares = (rack.powers ?? []).map(reading).filter((there) => there && there.quality !== 2 && typeof there.value === "number");
      const kw = shares.length ? shares.reduce((sum, there) => sum + (there.point.unit === "W" ? there.value / 1000 : there.value), 0) : null;
      say(load, kw === null ? "" : number(kw, 0));
      say(title, `${rack.name}: ${inlets.length && point ? said(point, hottest) : t("value.none")}${kw === null ? "" : `, ${number(kw, 1)} kW`}`);
    }
  });
}

function doors(picture, list, live) {
  const places = { "cold-aisle": [WIDE - 12, 360, 1, 446], "hot-aisle": [WIDE - 12, 110, 1, 72], "plant-bay": [12, 200, -1, 238] };
  for (const door of list) {
    const place = Object.entries(places).find(([key]) => (door.name ?? door.path).includes(key))?.[1];
    if (!place) continue;
    const [x, y, side, under] = place;
    const leaf = s("path", { class: "door" }), text = words(x - side * 14, under, "", "value", side > 0 ? "end" : "start");
    picture.append(s("line", { x1: x, x2: x, y1: y - 26, y2: y + 26, class: "doorway" }), leaf, text);
    outline(picture, side > 0 ? x - 30 : x - 4, y - 28, 34, 56, [door.path], live);
    live.push(() => {
      const open = /open/i.test(reading(door.path)?.point.states?.[String(reading(door.path)?.value)] ?? "");
      put(leaf, "d", open ? `M${x} ${y - 26} L${x - side * 44} ${y - 14} M${x - side * 44} ${y - 14} A46 46 0 0 ${side > 0 ? 0 : 1} ${x} ${y + 20}` : `M${x} ${y - 26} L${x} ${y + 26}`);
      say(text, open ? t("drawing.door-open") : "");
    });
  }
}

/** The busways above the racks they feed, side by side, each with what its fullest phase carries. */
function busways(picture, roles, live) {
  topology().then((there) => {
    const tiers = (there.tiers ?? []).filter((tier) => tier.kind === "busway" && tier.points?.l1_current);
    for (const [row, side] of [...new Set(tiers.map((tier) => tier.side))].slice(0, 2).entries()) {
      const some = tiers.filter((tier) => tier.side === side), w = RACKS.w / some.length, y = 119 + row * 28;
      some.forEach((tier, n) => {
        const x = RACKS.x + n * w, text = words(x + 7, y + 16, "", "text live");
        const box = s("rect", { x: x + 1.5, y, width: w - 6, height: 22, class: "part" }), mark = s("rect", { x: x + 1.5, y, width: w - 6, height: 22, class: "d-outline" });
        picture.append(box, mark, text);
        const draw = () => {
          const loads = ["l1", "l2", "l3"].map((phase) => usable(tier.points[`${phase}_current`])).filter((value) => value !== null);
          say(text, `${tier.name.toUpperCase()}  ${loads.length ? `${number(Math.max(...loads), 0)} A` : t("value.none")}`);
          const alarm = alarmOfTier(tier, roles);
          put(mark, "class", `d-outline ${alarm ? `p-${alarm.priority}` : ""}`);
          put(box, "class", loads.length && Math.max(...loads) < 1 ? "part still" : "part");
        };
        live.push(draw);
        draw();
      });
    }
  }).catch(() => {});
}

function chiller(picture, roles, live) {
  if (!roles?.state && !roles?.leaving_temperature) return;
  const [x, y, w, h] = [28, 128, 172, 44], title = words(x + 8, y + 18, "", "text live"), state = words(x + 8, y + 37, "", "text live");
  picture.append(s("rect", { x, y, width: w, height: h, class: "part" }), title, state);
  outline(picture, x + 4, y + 4, w - 8, h - 8, [roles.state, roles.leaving_temperature, roles.power].filter(Boolean), live);
  const worth = (path) => { const there = path && reading(path); return there && there.quality !== 2 ? said(there.point, there.value) : ""; };
  live.push(() => { say(title, `${t("drawing.chiller")} ${worth(roles.leaving_temperature)}`); say(state, worth(roles.state) || t("value.none")); });
}

/** Smoke and water on the floor: drawn where they are, only while they are there. */
function warnings(picture, roles, live) {
  const place = (path) => (/rack|aisle/.test(path) ? [RACKS.x + RACKS.w - 6, RACKS.y + RACKS.h + 18, "end"] : /coil|fan/.test(path) ? [COIL.x + 4, 318, "start"] : [28, 212, "start"]);
  const all = [...(roles.leaks ?? []).map((path) => ({ path, text: t("drawing.leak"), at: place(path) })), ...(roles.smoke ? [{ path: roles.smoke, text: t("drawing.smoke"), at: [RACKS.x + RACKS.w - 6, 42, "end"] }] : [])];
  for (const one of all) {
    const [x, y, anchor] = one.at, text = s("text", { x, y, class: "d-value", "text-anchor": anchor, text: one.text }), box = s("rect", { class: "d-outline" });
    picture.append(box, text);
    let measured = false;
    live.push(() => {
      const alarm = alarmOf(one.path), there = reading(one.path), on = Boolean(alarm) || (there?.quality !== 2 && there?.value === 1);
      put(text, "visibility", on ? "visible" : "hidden");
      put(box, "class", `d-outline ${on ? "over" : ""} ${on && alarm ? `p-${alarm.priority}` : ""}`);
      if (!on || measured) return;
      const length = text.getComputedTextLength?.();
      measured = length > 0;
      const wide = (length || one.text.length * 9) + 14;
      for (const [key, value] of Object.entries({ x: anchor === "end" ? x - wide + 7 : x - 7, y: y - 18, width: wide, height: 26 })) put(box, key, value);
    });
  }
}
