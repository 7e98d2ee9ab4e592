// Links and devices: who answers, how fast, how well, how full the line is, what was seen last; and the plan of what is read.

import { h, fill } from "./dom.js";
import { ask } from "./api.js";
import { confirm } from "./act.js";
import * as state from "./state.js";
import { clock, count, number, t } from "./text.js";

/** The screen. */
export function screen(root) {
  const list = h("div", { class: "pair" }), parts = new Map();
  root.append(h("h1", { text: t("nav.links") }), list);
  const draw = () => {
    for (const name of [...parts.keys()]) if (!state.links.has(name)) { parts.get(name).element.remove(); parts.delete(name); }
    for (const link of state.links.values()) {
      if (!parts.has(link.name)) { const part = linkPart(); parts.set(link.name, part); list.append(part.element); }
      parts.get(link.name).update(link);
    }
  };
  draw();
  // What was seen last of each: the newest event of its kind that says "down".
  for (const kind of ["link", "device"]) ask("events", { kind, limit: 200 }).then((answer) => { state.takeEvents(answer.events); draw(); }).catch(() => {});
  const renew = () => ask("links").then((answer) => state.takeLinks(answer.links)).catch(() => {});
  const stop = state.hear("links", draw);
  const timer = setInterval(renew, 2000);
  const paper = () => list.querySelectorAll("details").forEach((one) => { one.open = true; });
  return { paper, leave: () => { stop(); clearInterval(timer); } };
}

/** An element that is filled anew only where it says something else, so that a finger or the focus on it is not lost. */
function held(tag, attributes = {}) {
  const element = h(tag, attributes);
  let said = null;
  return { element, say: (sayings, make) => { const key = JSON.stringify(sayings); if (key !== said) { said = key; fill(element, make()); } } };
}

/** One link: how it is, and its devices folded below. */
function linkPart() {
  const head = held("h2"), facts = held("dl", { class: "facts" }), folded = held("summary"), body = h("tbody");
  const rows = new Map();
  const element = h("section", { class: "sheet link" }, head.element, facts.element, h("details", {}, folded.element,
    h("div", { class: "scroll-x", tabindex: 0, role: "group", "aria-label": t("links.plan") }, h("table", {}, h("thead", {}, h("tr", {}, ["device", "unit", "answers", "latency", "errors", "good", "plan", "fault"].map((key) => h("th", { text: t(`links.${key}`) })))), body))));
  const update = (link) => {
    const figures = link.figures ?? {}, devices = link.devices ?? [];
    element.classList.toggle("p-high", !link.up);
    head.say([link.name, link.transport, link.up], () => [link.name, " ", h("small", { text: link.transport ?? "" }), " ", link.up ? null : h("span", { class: "mark p-high", text: t("links.down") })]);
    const shown = [["links.utilisation", link.utilisation === undefined || link.utilisation === null ? null : `${number(link.utilisation * 100, 0)} %`], ["links.rate", link.transactions_per_s && number(link.transactions_per_s, 1)],
      ["links.latency", figures.latency_ms !== undefined ? `${number(figures.latency_ms, 1)} ms` : null], ["links.errors", errors(figures)], ["links.good", good(figures)], ["links.fault", fault("link", link.name) ?? t("links.no-fault")]];
    facts.say(shown, () => shown.map(([key, text]) => fact(key, text)));
    folded.say(devices.length, () => count("links.devices", devices.length));
    for (const name of [...rows.keys()]) if (!devices.some((device) => device.name === name)) { rows.get(name).element.remove(); rows.delete(name); }
    for (const device of devices) {
      if (!rows.has(device.name)) { const row = deviceRow(); rows.set(device.name, row); body.append(row.element); }
      rows.get(device.name).update(device);
    }
  };
  return { element, update };
}

/** One device of a link, a cell a matter. */
function deviceRow() {
  const cells = Object.fromEntries(["name", "unit", "answers", "latency", "errors", "good", "plan", "fault"].map((key) => [key, held("td", { class: ["latency", "errors", "good"].includes(key) ? "number" : null })]));
  const text = (key, what) => cells[key].say(what, () => what ?? "");
  const update = (device) => {
    const figures = device.figures ?? {}, strange = isStranger(device), lacking = device.lacking ?? [];
    text("name", device.name);
    text("unit", String(device.unit ?? ""));
    cells.answers.say([device.up, strange, lacking], () => [device.up ? t("links.yes") : h("span", { class: "mark p-medium", text: t("links.silent") }), strange ? stranger(device) : null,
      lacking.length ? h("div", {}, h("span", { class: "mark p-medium", text: count("links.lacking", lacking.length) }), h("small", { text: ` ${lacking.join(", ")}` })) : null]);
    text("latency", figures.latency_ms !== undefined ? `${number(figures.latency_ms, 1)} ms` : "");
    text("errors", errors(figures) ?? "");
    text("good", good(figures) ?? "");
    const plan = (device.transactions ?? []).map((one) => `${one.what} · ${number(one.period_ms / 1000, one.period_ms % 1000 ? 1 : 0)} s · ${count("links.points", one.points)}`);
    cells.plan.say(plan, () => plan.map((one) => h("div", { class: "plan", text: one })));
    text("fault", fault("device", device.name) ?? "");
  };
  return { element: h("tr", {}, Object.values(cells).map((cell) => cell.element)), update };
}

const isStranger = (device) => Boolean(device.identity) && state.reading(device.identity.point)?.value === 1;

/** That a device is not the expected one, and the way to confirm it. */
function stranger(device) {
  return [h("span", { class: "mark p-medium", text: t("links.another") }), device.identity.can_confirm ? h("button", { "data-key": `confirm/${device.name}`, text: t("act.confirm"), onclick: () => confirm(device.name) }) : null];
}

/** When a link or device was last seen to fail, and why. */
function fault(kind, name) {
  const event = state.events.findLast((one) => one.kind === kind && one[kind] === name && one.up === false);
  return event ? `${clock(event.t)} ${event.reason ?? event.text}` : null;
}

const fact = (key, text) => (text ? [h("dt", { text: t(key) }), h("dd", { text: String(text) })] : null);
const share = (part, of) => (of ? `${number((part / of) * 100, 2)} %` : null);
const errors = (f) => (f.requests ? `${share((f.timeouts ?? 0) + (f.garbled ?? 0), f.requests)} (${(f.timeouts ?? 0) + (f.garbled ?? 0)})` : null);
const good = (f) => (f.scans_due ? share(f.scans_good, f.scans_due) : null);
