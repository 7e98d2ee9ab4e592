// Trends: any points over time, live and back through history. Chosen points and stretch stand in the address, so that a
// view can be kept and sent to somebody.

import { breaking, h, fill, say } from "./dom.js";
import { limitsOf } from "./limits.js";
import { COLOURS, DASHES, draw } from "./plot.js";
import { Series } from "./series.js";
import * as state from "./state.js";
import { clock, t } from "./text.js";
import { said, shown } from "./units.js";

const SPANS = [["10m", 600], ["1h", 3600], ["8h", 28800], ["24h", 86400], ["7d", 604800], ["30d", 2592000]];
const MOST = 8;

/** The screen; `rest[0]` are paths with commas between. */
export function screen(root, rest) {
  const wanted = (rest[0] ?? localStorage.getItem("trend") ?? "").split(",").filter((path) => state.byPath.has(path)).slice(0, MOST);
  const roles = state.about.overview ?? {};
  const chosen = wanted.length ? wanted : [roles.supply_temperature, roles.return_temperature, roles.flow].filter((path) => state.byPath.has(path));
  const series = chosen.map((path) => new Series(path));
  let span = Number(localStorage.getItem("trend-span")) || 600_000, end = null, cursor = null, placed = null, asked = 0, printed = false;

  const canvas = h("canvas", { class: "plot", tabindex: 0, role: "img", "aria-describedby": "trend-help" });
  const legend = h("ul", { class: "legend" });
  const buttons = h("div", { class: "row-of-buttons", role: "group", "aria-label": t("trends.stretch") });
  const found = h("ul", { class: "found" });
  const search = h("input", { type: "search", placeholder: t("trends.find"), "aria-label": t("trends.find"), oninput: () => find() });
  root.append(h("h1", { class: "only-spoken", text: t("nav.trends") }), buttons,
    h("div", { class: "sheet" }, canvas, h("p", { id: "trend-help", class: "hint", text: t("trends.help") }), legend),
    h("section", { class: "sheet no-paper" }, h("h2", { text: t("trends.add") }), search, found));

  const view = () => { const to = end ?? state.now(); return { from: to - span, to }; };
  const colour = (n) => { const ground = document.documentElement.dataset.ground, dark = !printed && (ground === "dark" || (ground !== "light" && matchMedia("(prefers-color-scheme: dark)").matches)); return COLOURS[dark ? "dark" : "light"][n % MOST]; };
  const keep = () => { const paths = series.map((one) => one.path).join(","); localStorage.setItem("trend", paths); localStorage.setItem("trend-span", String(span)); history.replaceState(null, "", `#/trends/${encodeURIComponent(paths)}`); };

  let painted = 0;
  function paint() {
    painted = performance.now();
    const now = view();
    const limits = series.flatMap((one, n) => { const found = limitsOf(one.path); return [...found.low, ...found.high].map((limit) => ({ unit: one.unit, at: shown(one.point, limit.at), colour: colour(n), text: said(one.point, limit.at) })); });
    const marks = state.events.filter((event) => event.t >= now.from && event.t <= now.to && event.kind === "alarm" && event.to === "unacknowledged" && !event.follows).map((event) => ({ t: event.t, heavy: event.priority === "critical" || event.priority === "high" }));
    placed = draw(canvas, now, series.map((one, n) => one.drawn(colour(n), DASHES[n % MOST])), { limits, marks, cursor, paper: printed });
    canvas.setAttribute("aria-label", series.map((one) => { const value = one.at(now.to); return `${one.path} ${value === null ? t("value.none") : said(one.point, value)}`; }).join("; ") || t("trends.empty"));
    values();
    if (performance.now() - asked > 250) { asked = performance.now(); const buckets = Math.min(2000, Math.max(200, Math.round(canvas.clientWidth))); for (const one of series) if (one.wants(now.from, now.to, buckets)) one.load(now.from - span * 0.25, now.to + (end === null ? 0 : span * 0.25), Math.round(buckets * 1.25)).then(soon); }
  }
  let drawing = false;
  const soon = () => { if (drawing) return; drawing = true; requestAnimationFrame(() => { drawing = false; paint(); }); };

  const legends = [];
  function entries() {
    legends.length = 0;
    fill(legend, series.map((one, n) => {
      const value = h("span", { class: "value" }), why = h("small");
      legends.push({ one, value, why });
      const sample = h("canvas", { class: "sample", width: 44, height: 12, "aria-hidden": "true" });
      const pen = sample.getContext("2d");
      pen.strokeStyle = colour(n); pen.lineWidth = 3; pen.setLineDash(DASHES[n % MOST]); pen.beginPath(); pen.moveTo(0, 6); pen.lineTo(44, 6); pen.stroke();
      return h("li", {}, sample, h("span", { class: "path" }, breaking(one.path)), value, why, h("button", { "aria-label": t("trends.remove", { path: one.path }), text: "×", onclick: () => { series.splice(series.indexOf(one), 1); keep(); entries(); soon(); } }));
    }));
  }
  function values() {
    const at = cursor ?? view().to;
    for (const { one, value, why } of legends) { const now = one.at(at); say(value, now === null || now === undefined ? t("value.none") : said(one.point, now)); say(why, [cursor === null ? "" : clock(at), one.failed].filter(Boolean).join(" · ")); }
  }
  function find() {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const hits = words.length ? [...state.points.values()].filter((point) => words.every((word) => `${point.path} ${point.tag ?? ""} ${point.where ?? ""}`.toLowerCase().includes(word))).slice(0, 30) : [];
    fill(found, hits.map((point) => h("li", {}, h("button", { disabled: series.length >= MOST || series.some((one) => one.path === point.path), onclick: () => { series.push(new Series(point.path)); keep(); entries(); find(); soon(); } }, point.path, h("small", { text: ` ${point.unit_text ?? ""} ${point.tag ?? ""}` })))));
    if (words.length && !hits.length) fill(found, h("li", { class: "empty", text: t("trends.not-found") }));
  }
  function controls() {
    fill(buttons, SPANS.map(([key, seconds]) => h("button", { "aria-pressed": String(Math.abs(span / 1000 / seconds - 1) < 0.01), text: t(`trends.${key}`), onclick: () => { span = seconds * 1000; keep(); controls(); soon(); } })),
      h("button", { "aria-pressed": String(end === null), text: t("trends.live"), onclick: () => { end = null; controls(); soon(); } }),
      h("button", { text: t("trends.csv"), onclick: csv }));
  }
  function move(by) { end = (end ?? state.now()) + by; if (end >= state.now()) end = null; controls(); soon(); }
  function zoom(factor, at = null) {
    const now = view(), anchor = at ?? now.to, next = Math.max(5000, Math.min(400 * 86400000, span * factor));
    if (!(end === null && at === null)) { const to = anchor + (now.to - anchor) * (next / span); end = to >= state.now() ? null : to; }
    span = next; keep(); controls(); soon();
  }
  function csv() {
    const now = view(), query = new URLSearchParams({ from: Math.floor(now.from), to: Math.ceil(now.to), format: "csv" });
    for (const one of series) query.append("point", one.path);
    const link = h("a", { href: `/api/readings?${query}`, download: "readings.csv" });
    document.body.append(link); link.click(); link.remove();
  }

  pointers(canvas, { place: () => placed, pan: (ms) => move(ms), zoom, cursor: (at) => { cursor = at; soon(); } });
  canvas.addEventListener("keydown", (event) => {
    const does = { ArrowLeft: () => move(-span / 8), ArrowRight: () => move(span / 8), "+": () => zoom(0.7), "-": () => zoom(1.4), End: () => { end = null; controls(); soon(); }, Home: () => move(-span) }[event.key];
    if (does) { does(); event.preventDefault(); }
  });
  entries(); controls(); find();
  // The curve moves less than a pixel between two readings: their values are shown at once, the plot is drawn up to four times a second.
  const stops = [state.hear("values", () => { for (const one of series) one.add(); if (end !== null) return; values(); if (performance.now() - painted > 250) soon(); }), state.hear("events", soon)];
  const timer = setInterval(() => { if (end === null || series.some((one) => !one.loaded)) soon(); }, 500);
  const sized = new ResizeObserver(soon);
  sized.observe(canvas);
  soon();
  const paper = () => { printed = true; entries(); paint(); };
  const done = () => { printed = false; entries(); soon(); };
  addEventListener("afterprint", done);
  return { paper, leave: () => { removeEventListener("afterprint", done); stops.forEach((stop) => stop()); clearInterval(timer); sized.disconnect(); } };
}

/** Pan with one finger, zoom with two or the wheel, a cursor by hovering or a short touch. */
function pointers(canvas, { place, pan, zoom, cursor }) {
  const down = new Map();
  let far = 0, moved = 0;
  const x = (event) => event.clientX - canvas.getBoundingClientRect().left;
  const perPixel = () => place().time(1) - place().time(0);
  canvas.addEventListener("pointerdown", (event) => { canvas.setPointerCapture(event.pointerId); down.set(event.pointerId, x(event)); moved = 0; far = 0; });
  canvas.addEventListener("pointermove", (event) => {
    const at = x(event);
    if (!down.has(event.pointerId)) { if (event.pointerType === "mouse") cursor(place().time(at)); return; }
    const before = down.get(event.pointerId);
    down.set(event.pointerId, at);
    moved += Math.abs(at - before);
    if (down.size === 1 && moved > 4) pan((before - at) * perPixel());
    if (down.size === 2) { const [a, b] = [...down.values()], now = Math.abs(a - b); if (far && now) zoom(far / now, place().time((a + b) / 2)); far = now; }
  });
  const up = (event) => { if (down.delete(event.pointerId) && moved <= 4 && event.type === "pointerup") cursor(place().time(x(event))); far = 0; };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse" && !down.size) cursor(null); });
  canvas.addEventListener("wheel", (event) => { event.preventDefault(); zoom(event.deltaY > 0 ? 1.25 : 0.8, place().time(x(event))); }, { passive: false });
}
