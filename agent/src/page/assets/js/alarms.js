// Alarms: what is present by urgency and time, the first-out with what follows folded under it; what is hidden; the log;
// the figures; notes. An alarm is acknowledged where it stands, in one touch.

import { ask } from "./api.js";
import { actions } from "./act.js";
import { h, fill, say } from "./dom.js";
import { mark } from "./parts.js";
import { doAs } from "./person.js";
import * as state from "./state.js";
import { clock, count, duration, number, t } from "./text.js";

const VIEWS = ["present", "hidden", "log", "figures"];

/** The screen; `rest[0]` is an alarm to open, or a view. */
export function screen(root, rest) {
  let view = VIEWS.includes(rest[0]) ? rest[0] : "present";
  const open = new Set(VIEWS.includes(rest[0]) ? [] : rest.slice(0, 1));
  const tabs = h("div", { class: "row-of-buttons", role: "group", "aria-label": t("alarms.views") });
  const list = h("div", { class: "alarm-list" });
  root.append(h("h1", { class: "only-spoken", text: t("nav.alarms") }), tabs, list);
  const draw = () => {
    const focus = document.activeElement?.dataset?.key;
    fill(tabs, VIEWS.map((one) => h("button", { class: "touch", "aria-pressed": String(one === view), onclick: () => { view = one; draw(); },
      text: one === "hidden" ? `${t("alarms.hidden")} (${state.hiddenAlarms().length})` : t(`alarms.${one}`) })), acknowledgeAll());
    fill(list, { present: drawPresent, hidden: drawHidden, log: drawLog, figures: drawFigures }[view](open, draw));
    if (focus) [...list.querySelectorAll("[data-key]")].find((one) => one.dataset.key === focus)?.focus();
  };
  draw();
  const soon = () => { clearTimeout(timer); timer = setTimeout(draw, 120); };
  let timer = null;
  const stops = [state.hear("alarms", soon), state.hear("about", soon), state.hear("events", () => { if (view === "log") soon(); })];
  const ticking = setInterval(() => list.querySelectorAll("[data-since]").forEach((one) => say(one, since(Number(one.dataset.since)))), 1000);
  if (open.size) list.querySelector("[data-open]")?.scrollIntoView({ block: "center" });
  return { leave: () => { stops.forEach((stop) => stop()); clearInterval(ticking); clearTimeout(timer); } };
}

const since = (ms) => t("alarms.since", { time: clock(ms), long: duration((state.now() - ms) / 1000) });

function acknowledgeAll() {
  const fresh = state.present().filter(state.isNew);
  return fresh.length > 1 ? h("button", { class: "touch", text: count("alarms.acknowledge-all", fresh.length), onclick: () => doAs("alarms/acknowledge", { alarms: fresh.map((one) => one.alarm) }) }) : null;
}

function drawPresent(open, draw) {
  const present = state.present();
  if (!present.length) return h("p", { class: "empty", text: t("alarms.none") });
  const ids = new Set(present.map((one) => one.alarm));
  // A follower is folded under its cause while that is present; chains end at the first.
  const root = (one) => { let at = one, steps = 0; while (at.follows && ids.has(at.follows) && steps < 20) { at = state.alarms.get(at.follows); steps += 1; } return at.alarm; };
  const under = new Map();
  for (const one of present) { const top = root(one); if (top !== one.alarm) under.set(top, [...(under.get(top) ?? []), one]); }
  return present.filter((one) => root(one) === one.alarm).map((one) => row(one, under.get(one.alarm) ?? [], open, draw));
}

function row(one, followers, open, draw) {
  const isOpen = open.has(one.alarm);
  const toggle = () => { if (isOpen) open.delete(one.alarm); else open.add(one.alarm); draw(); };
  const fresh = state.isNew(one);
  return h("article", { class: `alarm p-${one.priority} ${one.active ? "" : "cleared"}`, "data-open": isOpen },
    h("div", { class: "alarm-head" },
      h("div", { class: "alarm-mark" }, mark(one.priority, fresh ? "new" : ""), one.first_out ? h("span", { class: "first", text: t("alarms.first-out") }) : null),
      h("button", { class: "alarm-text", "aria-expanded": String(isOpen), "data-key": `text/${one.alarm}`, onclick: toggle },
        h("span", { class: "sentence", text: one.text }),
        h("span", { class: "under" }, [one.where, one.tag, t(`state.${one.state}`)].filter(Boolean).join(" · "), " · ", h("span", { "data-since": one.raised_at ?? one.t, text: since(one.raised_at ?? one.t) }))),
      fresh ? h("button", { class: "do touch", "data-key": `ack/${one.alarm}`, "aria-label": `${t("act.acknowledge")}: ${one.text}`, text: t("act.acknowledge"), onclick: () => doAs(`alarms/${encodeURIComponent(one.alarm)}/acknowledge`) }) : null),
    isOpen ? details(one) : null,
    followers.length ? h("details", { class: "followers", open: open.has(`${one.alarm}/under`), ontoggle: (event) => { if (event.target.open) open.add(`${one.alarm}/under`); else open.delete(`${one.alarm}/under`); } },
      h("summary", { text: count("alarms.follow", followers.length) }), followers.map((follower) => row(follower, [], open, draw))) : null);
}

function details(one) {
  const fact = (key, text) => (text ? [h("dt", { text: t(key) }), h("dd", { text })] : null);
  const left = state.events.findLast((event) => event.alarm === one.alarm && event.seconds_left !== undefined);
  return h("div", { class: "alarm-more" },
    h("dl", { class: "facts" }, fact("alarm.stake", t(`impact.${one.impact}`)), fact("alarm.consequence", one.consequence), fact("alarm.first-check", one.first_check), fact("alarm.response", one.response),
      fact("alarm.safety", one.safety), one.respond_within_s ? fact("alarm.within", duration(one.respond_within_s)) : null,
      left && one.active ? fact("alarm.left", t("alarm.left-to", { time: duration(left.seconds_left), to: left.left_to ?? "" })) : null,
      one.follows ? fact("alarm.follows", state.alarms.get(one.follows)?.text ?? one.follows) : null, fact("alarm.document", one.document), fact("alarm.point", one.point)),
    h("div", { class: "row-of-buttons" }, actions(one), h("a", { class: "button touch", href: `#/trends/${encodeURIComponent(one.point)}`, text: t("act.trend") })));
}

function drawHidden() {
  const hidden = state.hiddenAlarms();
  if (!hidden.length) return h("p", { class: "empty", text: t("alarms.none-hidden") });
  return ["shelved", "suppressed", "out_of_service"].map((kind) => {
    const some = hidden.filter((one) => one.state === kind);
    return some.length ? h("section", { class: "sheet" }, h("h2", { text: t(`state.${kind}`) }), some.map((one) => h("article", { class: "alarm cleared" },
      h("div", { class: "alarm-head" }, h("span", { class: "mark hidden-alarm", text: t(one.active ? "alarms.would-stand" : "alarms.would-not") }),
        h("div", { class: "alarm-text" }, h("span", { class: "sentence", text: one.text }), h("span", { class: "under" }, one.alarm, one.until ? ` · ${t("alarms.until", { time: clock(one.until, false) })}` : "", one.reason ? ` · ${one.reason}` : "")),
        actions(one))))) : null;
  });
}

function drawLog() {
  const holder = h("div", { class: "sheet" });
  const note = h("input", { "aria-label": t("alarms.note"), placeholder: t("alarms.note"), maxlength: 500 });
  const form = h("form", { class: "note-form", onsubmit: async (event) => { event.preventDefault(); if (note.value.trim() && await doAs("notes", { text: note.value.trim() })) note.value = ""; } }, note, h("button", { class: "do", text: t("alarms.note-add") }));
  const rows = h("ol", { class: "log" });
  const draw = (events) => fill(rows, [...events].reverse().map((event) => h("li", {}, h("time", { text: clock(event.t) }), event.priority && event.to === "unacknowledged" ? mark(event.priority) : h("span", { class: "log-kind", text: t(`kind.${event.kind}`) }), h("span", { text: event.text }))));
  draw(state.events);
  const earlier = h("button", { class: "touch", text: t("alarms.earlier"), onclick: async () => {
    const oldest = state.events[0];
    if (!oldest) return;
    const answer = await ask("events", { before: oldest.seq, limit: 200 }).catch(() => null);
    if (answer?.events.length) state.takeEvents(answer.events); else earlier.disabled = true;
  } });
  return [h("div", { class: "sheet" }, form), fill(holder, rows, earlier)];
}

function drawFigures() {
  const figures = state.figures ?? {};
  const flat = Object.entries(figures).filter(([, v]) => typeof v === "number" || typeof v === "string");
  const holder = h("section", { class: "sheet" }, h("h2", { text: t("alarms.figures") }));
  const draw = (there) => fill(holder, h("h2", { text: t("alarms.figures") }), h("dl", { class: "facts" }, there.map(([key, v]) => [h("dt", { text: t(`figure.${key}`) }), h("dd", { text: typeof v === "number" ? number(v, Number.isInteger(v) ? 0 : 1) : v })])),
    (figures.top ?? []).length ? [h("h3", { text: t("figure.top") }), h("table", {}, figures.top.map((one) => h("tr", {}, h("td", { text: state.alarms.get(one.alarm)?.text ?? one.alarm }), h("td", { class: "number", text: String(one.count) }))))] : null);
  draw(flat);
  if (!flat.length) holder.append(h("p", { class: "empty", text: t("alarms.no-figures") }));
  ask("alarms").then((answer) => { state.takeAlarms(answer); }).catch(() => {});
  return holder;
}
