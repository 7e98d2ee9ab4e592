// Alarms: what is present by urgency and time, the first-out with what follows folded under it; what is hidden; the log;
// the figures; notes. An alarm is acknowledged where it stands, in one touch.

import { ask } from "./api.js";
import { actions, release, suppress } from "./act.js";
import { h, fill, say } from "./dom.js";
import { mark, present } from "./parts.js";
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
  let tabsSaid = "";
  const draw = () => {
    const focus = document.activeElement?.dataset?.key;
    const fresh = state.present().filter(state.isNew).length;
    const signature = `${view}/${state.hiddenAlarms().length}/${fresh}`;
    if (signature !== tabsSaid) fill(tabs, VIEWS.map((one) => h("button", { "aria-pressed": String(one === view), onclick: () => { view = one; draw(); if (view === "figures") ask("alarms").then(state.takeAlarms).catch(() => {}); },
      text: one === "hidden" ? `${t("alarms.hidden")} (${state.hiddenAlarms().length})` : t(`alarms.${one}`) })), acknowledgeAll());
    tabsSaid = signature;
    if (view === "present") order(list, rows.elements());
    else if (view === "log") { log.update(); order(list, [log.element]); }
    else fill(list, { hidden: drawHidden, figures: drawFigures }[view]());
    if (focus) [...list.querySelectorAll("[data-key]")].find((one) => one.dataset.key === focus)?.focus();
  };
  const rows = new Rows(open, draw), log = logOf();
  draw();
  let timer = null;
  const soon = () => { timer ??= setTimeout(() => { timer = null; draw(); }, 150); };
  const stops = [state.hear("alarms", () => { if (view !== "log") soon(); }), state.hear("about", soon), state.hear("events", () => { if (view === "log") soon(); })];
  const ticking = setInterval(() => list.querySelectorAll("[data-since]").forEach((one) => say(one, since(Number(one.dataset.since)))), 1000);
  const renewing = setInterval(() => list.querySelectorAll("[data-now]").forEach((one) => say(one, nowOf(one.dataset.now))), 500);
  if (open.size) list.querySelector("[data-open]")?.scrollIntoView({ block: "center" });
  const paper = () => { if (view !== "present") return; for (const row of rows.known.values()) row.under.open = true; draw(); };
  return { paper, leave: () => { stops.forEach((stop) => stop()); clearInterval(ticking); clearInterval(renewing); clearTimeout(timer); } };
}

/** What an alarm's point shows now, behind what was said when it came. */
const nowOf = (path) => { const words = present(path); return words && ` · ${words}`; };
const since = (ms) => t("alarms.since", { time: clock(ms), long: duration((state.now() - ms) / 1000) });

function acknowledgeAll() {
  const fresh = state.present().filter(state.isNew);
  return fresh.length > 1 ? h("button", { text: count("alarms.acknowledge-all", fresh.length), onclick: () => doAs("alarms/acknowledge", { alarms: fresh.map((one) => ({ alarm: one.alarm, occurrence: one.occurrence })) }) }) : null;
}

/** Keeps the element of each alarm over redraws: a finger on a button must not lose it because another alarm has come. */
class Rows {
  constructor(open, draw) { this.open = open; this.draw = draw; this.known = new Map(); this.none = h("p", { class: "empty", text: t("alarms.none") }); }

  elements() {
    const present = state.present();
    if (!present.length) return [this.none];
    const ids = new Set(present.map((one) => one.alarm));
    // A follower is folded under its cause while that is present; chains end at the first.
    const root = (one) => { let at = one, steps = 0; while (at.follows && ids.has(at.follows) && steps < 20) { at = state.alarms.get(at.follows); steps += 1; } return at.alarm; };
    const under = new Map();
    for (const one of present) { const top = root(one); if (top !== one.alarm) under.set(top, [...(under.get(top) ?? []), one]); }
    for (const id of this.known.keys()) if (!ids.has(id)) this.known.delete(id);
    // A group stands where the most urgent of it would stand: nothing urgent hides below something that is not.
    const groups = present.filter((one) => root(one) === one.alarm).map((one) => ({ one, followers: under.get(one.alarm) ?? [] }));
    const rank = ({ one, followers }) => { const all = [one, ...followers], active = all.filter((each) => each.active); return [active.length ? 0 : 1, Math.min(...(active.length ? active : all).map(state.urgency))]; };
    return groups.map((group) => ({ ...group, rank: rank(group) })).sort((a, b) => a.rank[0] - b.rank[0] || a.rank[1] - b.rank[1]).map(({ one, followers }) => this.element(one, followers));
  }

  element(one, followers, cause = null) {
    let row = this.known.get(one.alarm);
    if (!row) { row = new Row(one.alarm, this); this.known.set(one.alarm, row); }
    row.update(one, followers, cause);
    return row.article;
  }
}

/** One alarm. Its parts are made anew only where they say something else. */
class Row {
  constructor(id, rows) {
    this.rows = rows;
    this.said = {};
    this.head = h("div", { class: "alarm-head" });
    this.more = h("div");
    this.count = h("summary");
    this.list = h("div");
    this.urgent = h("div");
    this.beside = h("div", { class: "followers", hidden: true }, h("p", { text: t("alarms.follow-urgent") }), this.urgent);
    this.under = h("details", { class: "followers", hidden: true, ontoggle: () => this.list.isConnected && rows.draw() }, this.count, this.list);
    this.article = h("article", { class: "alarm" }, this.head, this.more, this.beside, this.under);
    this.id = id;
  }

  part(name, signature, make) {
    if (this.said[name] === signature) return;
    this.said[name] = signature;
    make();
  }

  update(one, followers, cause = null) {
    const isOpen = this.rows.open.has(this.id);
    this.article.className = `alarm p-${one.priority} ${one.active ? "" : "cleared"} ${cause && state.urgency(one) < state.urgency(cause) ? "more-urgent" : ""}`;
    this.article.dataset.open = isOpen;
    this.part("head", JSON.stringify([one.text, one.state, one.priority, one.first_out, one.raised_at, isOpen, followers.length > 0, document.documentElement.lang]), () => fill(this.head, headOf(one, isOpen, followers.length > 0, () => { if (isOpen) this.rows.open.delete(this.id); else this.rows.open.add(this.id); this.rows.draw(); })));
    this.part("more", JSON.stringify([isOpen, one, state.about.signed_in?.role]), () => fill(this.more, isOpen ? details(one) : null));
    // What is more urgent than its cause stands beside it, never folded away.
    const urgent = followers.filter((follower) => follower.active && state.urgency(follower) < state.urgency(one)), rest = followers.filter((follower) => !urgent.includes(follower));
    this.beside.hidden = !urgent.length;
    order(this.urgent, urgent.map((follower) => this.rows.element(follower, [], one)));
    this.under.hidden = !rest.length;
    say(this.count, rest.length ? count("alarms.follow", rest.length) : "");
    order(this.list, this.under.open ? rest.map((follower) => this.rows.element(follower, [], one)) : []);
  }
}

/** Puts elements into a place, touching nothing when they stand there already. */
function order(place, elements) {
  const now = [...place.children];
  if (now.length !== elements.length || now.some((element, n) => element !== elements[n])) place.replaceChildren(...elements);
}

function headOf(one, isOpen, leads, toggle) {
  const fresh = state.isNew(one);
  return [
    h("div", { class: "alarm-mark" }, mark(one.priority, fresh ? "new" : ""), one.first_out && leads ? h("span", { class: "first", text: t("alarms.first-out") }) : null),
    h("button", { class: "alarm-text", "aria-expanded": String(isOpen), "data-key": `text/${one.alarm}`, onclick: toggle },
      h("span", { class: "sentence", text: one.text }),
      h("span", { class: "under" }, [one.where, one.tag, t(`state.${one.state}`)].filter(Boolean).join(" · "), " · ", h("span", { "data-since": one.raised_at ?? one.t, text: since(one.raised_at ?? one.t) }), one.active ? h("span", { "data-now": one.point, text: nowOf(one.point) }) : null),
      !isOpen && one.active && (one.first_check ?? one.response) ? h("span", { class: "under to-do", text: `${t(one.first_check ? "alarm.first-check" : "alarm.response")}: ${one.first_check ?? one.response}` }) : null),
    fresh ? h("button", { class: "do", "data-key": `ack/${one.alarm}`, "aria-label": `${t("act.acknowledge")}: ${one.text}`, text: t("act.acknowledge"), onclick: () => doAs(`alarms/${encodeURIComponent(one.alarm)}/acknowledge`, { occurrence: one.occurrence }) }) : null,
  ];
}

function details(one) {
  const fact = (key, text) => (text ? [h("dt", { text: t(key) }), h("dd", { text })] : null);
  const left = state.events.findLast((event) => event.alarm === one.alarm && event.seconds_left !== undefined);
  return h("div", { class: "alarm-more" },
    h("dl", { class: "facts" }, fact("alarm.stake", t(`impact.${one.impact}`)), fact("alarm.consequence", one.consequence), fact("alarm.first-check", one.first_check), fact("alarm.response", one.response),
      fact("alarm.safety", one.safety), one.respond_within_s ? fact("alarm.within", duration(one.respond_within_s)) : null,
      left && one.active ? fact("alarm.left", t("alarm.left-to", { time: duration(left.seconds_left), to: left.left_to ?? "" })) : null,
      one.follows ? fact("alarm.follows", state.alarms.get(one.follows)?.text ?? one.follows) : null, fact("alarm.document", one.document), fact("alarm.point", one.point)),
    h("div", { class: "row-of-buttons" }, actions(one), h("a", { class: "button", href: `#/trends/${encodeURIComponent(one.point)}`, text: t("act.trend") })));
}

function drawHidden() {
  const hidden = state.hiddenAlarms();
  return [hidden.length ? null : h("p", { class: "empty", text: t("alarms.none-hidden") }), ["shelved", "suppressed", "out_of_service"].map((kind) => {
    const some = hidden.filter((one) => one.state === kind);
    return some.length ? h("section", { class: "sheet" }, h("h2", { text: t(`state.${kind}`) }), some.map((one) => h("article", { class: "alarm cleared" },
      h("div", { class: "alarm-head" }, h("span", { class: "mark hidden-alarm", text: t(one.active ? "alarms.would-stand" : "alarms.would-not") }),
        h("div", { class: "alarm-text" }, h("span", { class: "sentence", text: one.text }), h("span", { class: "under" }, one.alarm, one.until ? ` · ${t("alarms.until", { time: clock(one.until, false) })}` : "", one.reason ? ` · ${one.reason}` : "")),
        actions(one))))) : null;
  }), state.rules.length ? drawRules() : null];
}

/** The declared suppressions: what each hides and why; those that people start have buttons. */
function drawRules() {
  return h("section", { class: "sheet" }, h("h2", { text: t("rules.title") }), h("p", { class: "hint", text: t("rules.hint") }), state.rules.map((rule) => h("article", { class: "alarm cleared" },
    h("div", { class: "alarm-head" }, h("span", { class: "mark hidden-alarm", text: t(rule.until ? "rules.in-force" : "rules.not-in-force") }),
      h("div", { class: "alarm-text" }, h("span", { class: "sentence", text: rule.text }), h("span", { class: "under" }, `${rule.name} · ${count("rules.alarms", rule.alarms.length)}`, rule.until ? ` · ${t("alarms.until", { time: clock(rule.until, false) })}` : ` · ${t(rule.by_hand ? "rules.at-most" : "rules.by-itself", { long: duration(rule.at_most_s) })}`)),
      rule.by_hand ? h("button", { "data-key": `rule/${rule.name}`, text: t(rule.until ? "act.release" : "act.suppress"), onclick: () => (rule.until ? release(rule) : suppress(rule)) }) : null))));
}

/** The log with its form; the form stays as it is while entries come. */
function logOf() {
  const note = h("input", { "aria-label": t("alarms.note"), placeholder: t("alarms.note"), maxlength: 500 });
  const form = h("form", { class: "note-form", onsubmit: async (event) => { event.preventDefault(); if (note.value.trim() && await doAs("notes", { text: note.value.trim() })) note.value = ""; } }, note, h("button", { class: "do", text: t("alarms.note-add") }));
  const rows = h("ol", { class: "log" });
  const earlier = h("button", { text: t("alarms.earlier"), onclick: async () => {
    const oldest = state.events[0];
    if (!oldest) return;
    const answer = await ask("events", { before: oldest.seq, limit: 200 }).catch(() => null);
    if (answer?.events.length) state.takeEvents(answer.events); else earlier.disabled = true;
  } });
  const element = h("div", {}, h("div", { class: "sheet" }, form), h("div", { class: "sheet" }, rows, earlier));
  const known = new Map();
  const entry = (event) => h("li", {}, h("time", { text: clock(event.t) }), event.priority && event.to === "unacknowledged" ? mark(event.priority) : h("span", { class: "log-kind", text: t(`kind.${event.kind}`) }), h("span", { text: event.text }));
  const update = () => {
    const keys = state.events.map((event) => `${event.log}/${event.seq}`);
    state.events.forEach((event, n) => { if (!known.has(keys[n])) known.set(keys[n], entry(event)); });
    for (const key of known.keys()) if (!keys.includes(key)) known.delete(key);
    order(rows, keys.map((key) => known.get(key)).reverse());
  };
  return { element, update };
}

function drawFigures() {
  const figures = state.figures ?? {};
  const said = (key, v) => key === "flood" ? t(v ? "figure.flood-now" : "figure.flood-none") : key.includes("share") ? `${number(v, 1)} %` : number(v, 0);
  const flat = Object.entries(figures).filter(([, v]) => typeof v === "number" || typeof v === "boolean");
  const holder = h("section", { class: "sheet" }, h("h2", { text: t("alarms.figures") }));
  const draw = (there) => fill(holder, h("h2", { text: t("alarms.figures") }), h("dl", { class: "facts" }, there.map(([key, v]) => [h("dt", { text: t(`figure.${key}`) }), h("dd", { text: said(key, v) })])),
    (figures.top ?? []).length ? [h("h3", { text: t("figure.top") }), h("table", {}, figures.top.map((one) => h("tr", {}, h("td", { text: state.alarms.get(one.alarm)?.text ?? one.alarm }), h("td", { class: "number", text: String(one.count) }))))] : null);
  draw(flat);
  if (!flat.length) holder.append(h("p", { class: "empty", text: t("alarms.no-figures") }));
  return holder;
}
