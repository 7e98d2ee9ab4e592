// Links and devices: who answers, how fast, how well, how full the line is, what was seen last; and the plan of what is read.

import { h, fill } from "./dom.js";
import { ask } from "./api.js";
import { confirm } from "./act.js";
import * as state from "./state.js";
import { clock, count, number, t } from "./text.js";

/** The screen. */
export function screen(root) {
  const list = h("div", { class: "pair" });
  const open = new Set();
  root.append(h("h1", { text: t("nav.links") }), list);
  const draw = () => fill(list, [...state.links.values()].map((link) => drawLink(link, open)));
  draw();
  // What was seen last of each: the newest event of its kind that says "down".
  for (const kind of ["link", "device"]) ask("events", { kind, limit: 200 }).then((answer) => { state.takeEvents(answer.events); draw(); }).catch(() => {});
  const renew = () => ask("links").then((answer) => state.takeLinks(answer.links)).catch(() => {});
  const stop = state.hear("links", draw);
  const timer = setInterval(renew, 2000);
  return { leave: () => { stop(); clearInterval(timer); } };
}

function drawLink(link, open) {
  const figures = link.figures ?? {};
  const down = !link.up;
  return h("section", { class: `sheet link ${down ? "p-high" : ""}` },
    h("h2", {}, link.name, " ", h("small", { text: link.transport ?? "" }), " ", down ? h("span", { class: "mark p-high", text: t("links.down") }) : null),
    h("dl", { class: "facts" }, fact("links.utilisation", link.utilisation === undefined || link.utilisation === null ? null : `${number(link.utilisation * 100, 0)} %`), fact("links.rate", link.transactions_per_s && number(link.transactions_per_s, 1)),
      fact("links.latency", figures.latency_ms !== undefined ? `${number(figures.latency_ms, 1)} ms` : null), fact("links.errors", errors(figures)), fact("links.good", good(figures)), fact("links.fault", fault("link", link.name) ?? t("links.no-fault"))),
    h("details", { open: open.has(link.name), ontoggle: (event) => { if (event.target.open) open.add(link.name); else open.delete(link.name); } },
      h("summary", { text: count("links.devices", (link.devices ?? []).length) }),
      h("div", { class: "scroll-x" }, h("table", {}, h("thead", {}, h("tr", {}, ["device", "unit", "answers", "latency", "errors", "good", "plan", "fault"].map((key) => h("th", { text: t(`links.${key}`) })))),
        h("tbody", {}, (link.devices ?? []).map((device) => h("tr", {}, h("td", { text: device.name }), h("td", { text: String(device.unit ?? "") }),
          h("td", {}, device.up ? t("links.yes") : h("span", { class: "mark p-medium", text: t("links.silent") }), stranger(device),
            device.lacking?.length ? h("div", {}, h("span", { class: "mark p-medium", text: count("links.lacking", device.lacking.length) }), h("small", { text: ` ${device.lacking.join(", ")}` })) : null),
          h("td", { class: "number", text: device.figures?.latency_ms !== undefined ? `${number(device.figures.latency_ms, 1)} ms` : "" }), h("td", { class: "number", text: errors(device.figures ?? {}) ?? "" }), h("td", { class: "number", text: good(device.figures ?? {}) ?? "" }),
          h("td", {}, (device.transactions ?? []).map((one) => h("div", { class: "plan", text: `${one.what} · ${number(one.period_ms / 1000, one.period_ms % 1000 ? 1 : 0)} s · ${count("links.points", one.points)}` }))), h("td", {}, h("small", { text: fault("device", device.name) ?? "" }))))))))
  );
}

/** That a device is not the expected one, and the way to confirm it. */
function stranger(device) {
  const there = device.identity && state.reading(device.identity.point);
  if (!there || there.value !== 1) return null;
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
