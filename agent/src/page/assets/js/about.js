// Health and about: the agent itself, what it says of its own health, storage, clock; and how this screen shows things.

import { ask } from "./api.js";
import { h, fill } from "./dom.js";
import { value } from "./parts.js";
import { doAs } from "./person.js";
import * as state from "./state.js";
import { clock, duration, language, languages, number, t } from "./text.js";
import { customary, isCustomary } from "./units.js";

/** The screen. */
export function screen(root) {
  const health = h("section", { class: "sheet" }), agent = h("section", { class: "sheet" }), own = h("section", { class: "sheet" });
  root.append(h("h1", { text: t("nav.about") }), h("div", { class: "pair" }, h("div", {}, health, own), h("div", {}, agent, modes(), settings())));
  const ways = h("p", {}, h("a", { href: "/metrics", text: "/metrics" }), " · ", h("a", { href: "/api/openapi.json", text: "/api/openapi.json" }));
  const facts = h("dl", { class: "facts" });
  agent.append(h("h2", { text: t("about.agent") }), facts, ways);
  const fact = (key, text) => (text === null || text === undefined || text === "" ? null : [h("dt", { text: t(key) }), h("dd", { text: String(text) })]);
  const draw = () => {
    const a = state.about;
    fill(facts, fact("about.module", `${a.site} ${a.module}`), fact("about.version", a.version), fact("about.mode", t(`mode-word.${a.mode}`)),
      fact("about.started", a.started ? `${clock(a.started)} (${duration((state.now() - a.started) / 1000)})` : null), fact("about.boot", a.boot), fact("about.log", a.log), fact("about.catalogue", a.catalogue), fact("about.points", state.points.size), fact("about.alarms", state.alarms.size),
      fact("about.clock", t(a.clock_synced ? "about.synced" : "about.not-synced")), fact("about.history", a.history ? `${number(a.history.bytes / 1048576, 1)} MiB, ${t(a.history.durable ? "about.durable" : "about.not-written")}` : t("about.no-history")), a.history?.dropped ? fact("about.dropped", number(a.history.dropped, 0)) : null,
      fact("about.store", a.store ? t(a.store.durable ? "about.durable" : "about.volatile") : null), fact("about.unsent", a.store?.unsent));
  };
  const look = () => ask("health").then((answer) => fill(health, h("h2", { text: t("about.health") }), h("p", { class: answer.state === "well" ? "" : "refused", text: t(`health.${answer.state}`) }), h("ul", {}, (answer.why ?? []).map((text) => h("li", { text })))))
    .catch((error) => fill(health, h("h2", { text: t("about.health") }), h("p", { class: "refused", text: error.message })));
  const mine = [...state.points.values()].filter((point) => point.path.startsWith("agent/") && !/^agent\/(link|device)\//.test(point.path)).map((point) => ({ point, ...value(point.path) }));
  own.hidden = !mine.length;
  fill(own, h("h2", { text: t("about.own") }), h("dl", { class: "facts" }, mine.map((one) => [h("dt", { title: one.point.path, text: nameOf(one.point.path.slice(6)) }), h("dd", {}, one.element)])));
  draw(); look();
  const stops = [state.hear("about", draw), state.hear("values", () => mine.forEach((one) => one.update()))];
  const timer = setInterval(() => { ask("about").then(state.takeAbout).catch(() => {}); look(); }, 5000);
  return { leave: () => { stops.forEach((stop) => stop()); clearInterval(timer); } };
}

/** What one of the agent's own points is called; one without a name of its own goes by its path. */
function nameOf(path) {
  const name = t(`own.${path}`);
  return name === `own.${path}` ? path : name;
}

function modes() {
  const long = h("select", { "aria-label": t("mode.how-long") }, [[1800, "30 min"], [3600, "1 h"], [14400, "4 h"], [28800, "8 h"]].map(([v, text]) => h("option", { value: v, text })));
  const reason = h("input", { maxlength: 200, "aria-label": t("act.reason"), placeholder: t("act.reason") });
  const set = (mode) => () => doAs("mode", { mode, ...(mode === "live" ? {} : { for_s: Number(long.value) }), reason: reason.value.trim() || undefined });
  return h("section", { class: "sheet no-paper" }, h("h2", { text: t("mode.title") }), h("p", { text: t("mode.hint") }), h("div", { class: "row-of-buttons" }, long, reason),
    h("div", { class: "row-of-buttons spaced" }, ["live", "maintenance", "test"].map((mode) => h("button", { text: t(`mode-word.${mode}`), onclick: set(mode) }))));
}

function settings() {
  const changed = () => dispatchEvent(new Event("lapwing-settings"));
  const group = (key, choices, current, take) => h("div", { role: "group", "aria-label": t(key) }, h("h3", { text: t(key) }), h("div", { class: "row-of-buttons" }, choices.map(([value, text]) => h("button", { "aria-pressed": String(value === current), text, onclick: () => { take(value); changed(); } }))));
  return h("section", { class: "sheet no-paper" }, h("h2", { text: t("settings") }),
    group("settings.language", languages(), language(), (code) => localStorage.setItem("language", code)),
    group("settings.units", [["si", "SI"], ["us", "US"]], isCustomary() ? "us" : "si", (units) => { localStorage.setItem("units", units); customary(units === "us"); }),
    group("settings.ground", [["auto", t("settings.auto")], ["light", t("settings.light")], ["dark", t("settings.dark")]], document.documentElement.dataset.ground ?? "auto", (ground) => {
      if (ground === "auto") { localStorage.removeItem("ground"); delete document.documentElement.dataset.ground; } else { localStorage.setItem("ground", ground); document.documentElement.dataset.ground = ground; }
    }));
}
