// Begins the page: language and units of this screen, what the agent has, the stream, and which screen is shown.
// The address after # names the screen, so that a screen can be kept as a bookmark and Back works.

import { ask } from "./api.js";
import { fill, h, say } from "./dom.js";
import { live } from "./live.js";
import { person } from "./person.js";
import * as state from "./state.js";
import { count, day, duration, language, speak, t } from "./text.js";
import { customary } from "./units.js";
import { verdict } from "./verdict.js";

const SCREENS = {
  overview: () => import("./overview.js"),
  alarms: () => import("./alarms.js"),
  trends: () => import("./trends.js"),
  links: () => import("./links.js"),
  about: () => import("./about.js"),
};
const screen = document.getElementById("screen");
let shown = null, there = false; // the screen, and whether everything is loaded

/** Everything, or what the stream may have missed while it was gone. */
async function load(everything) {
  const wholes = everything ? [ask("about"), ask("points"), ask("now")] : [];
  const [alarms, links, events, suppress, about, points, now] = await Promise.all([ask("alarms"), ask("links"), ask("events", { limit: 200 }), ask("suppress"), ...wholes]);
  if (everything) {
    state.takeAbout(about);
    state.takePoints(points.points);
    state.clockIs(now.t);
    state.takeValues(now.values);
  }
  state.takeAlarms(alarms);
  state.takeLinks(links.links);
  state.takeEvents(events.events);
  state.takeRules(suppress.rules);
}

function wanted() {
  const [name, ...rest] = location.hash.replace(/^#\/?/, "").split("/");
  return { name: name in SCREENS ? name : "overview", rest: rest.map(decodeURIComponent) };
}

async function show() {
  navigation();
  if (!there) return;
  const { name, rest } = wanted(), place = location.hash;
  const { screen: make } = await SCREENS[name]();
  if (location.hash !== place) return; // somebody has gone on meanwhile
  shown?.leave?.();
  fill(screen);
  shown = make(screen, rest);
  document.title = `${t(`nav.${name}`)} · ${state.about.site} ${state.about.module}`;
}

const places = new Map();

/** The ways to the screens: made once a language, so that a finger never loses one; only their words change. */
function navigation() {
  const { name } = wanted();
  const nav = document.getElementById("nav");
  if (nav.dataset.language !== language()) { nav.dataset.language = language(); places.clear(); fill(nav); }
  const present = state.present(), fresh = present.filter(state.isNew).length;
  for (const one of Object.keys(SCREENS)) {
    if (!places.has(one)) {
      const under = h("small");
      const link = h("a", { href: `#/${one}` }, h("span", { text: t(`nav.${one}`) }), under);
      places.set(one, { link, under });
      nav.append(link);
    }
    const { link, under } = places.get(one);
    if (one === name) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
    link.classList.toggle("has-new", one === "alarms" && fresh > 0);
    say(under, one === "alarms" ? count("nav.present", present.length) : t(`nav.${one}.what`));
  }
}

function mode() {
  const banner = document.getElementById("mode");
  banner.hidden = state.about.mode === "live";
  if (banner.hidden) return;
  const left = state.about.mode_until ? t("mode.until", { left: duration((state.about.mode_until - state.now()) / 1000) }) : "";
  say(banner, `${t(`mode.${state.about.mode}`)} ${left}`);
}

/** Whose sheet it is and when it was printed; a screen may show for it what it folds away. */
function paper() {
  const sheet = document.getElementById("paper");
  sheet.hidden = false;
  say(sheet, `${state.about.site} ${state.about.module} · ${t(`nav.${wanted().name}`)} · ${day(state.now(), true)} ${new Date(state.now()).toLocaleTimeString(language(), { hourCycle: "h23" })}`);
  shown?.paper?.();
}

function lost() {
  const banner = document.getElementById("lost");
  banner.hidden = !state.lost || !state.points.size;
  say(banner, state.lost ? t("lost") : "");
}

async function begin() {
  await speak(localStorage.getItem("language") ?? (navigator.language ?? "en").slice(0, 2));
  customary(localStorage.getItem("units") === "us");
  const ground = localStorage.getItem("ground");
  if (ground) document.documentElement.dataset.ground = ground;
  say(document.getElementById("skip"), t("skip"));
  document.getElementById("nav").setAttribute("aria-label", t("nav.label"));
  const told = verdict(document.getElementById("verdict"), document.getElementById("spoken"));
  person(document.getElementById("who"));
  for (const topic of ["alarms", "lost", "about", "links"]) state.hear(topic, told);
  state.hear("alarms", navigation);
  state.hear("about", mode);
  state.hear("lost", lost);
  setInterval(mode, 1000);
  addEventListener("beforeprint", paper);
  addEventListener("hashchange", async () => { await show(); screen.focus({ preventScroll: true }); scrollTo(0, 0); });
  addEventListener("lapwing-settings", async () => { await speak(localStorage.getItem("language") ?? language()); dispatchEvent(new Event("lapwing-spoken")); told(); mode(); await show(); });
  navigation();
  const instead = (key) => { there = false; shown?.leave?.(); shown = null; fill(screen, h("p", { class: "empty", text: t(key) })); };
  live({
    load: async (everything) => {
      await load(everything || !there);
      if (there && !everything) return;
      there = true;
      state.setLost(false);
      mode(); told();
      await show();
      // The other screens are there before somebody wants them: also while the agent is not.
      setTimeout(() => Object.values(SCREENS).forEach((one) => one().catch(() => {})), 1000);
    },
    refused: () => new Promise((done) => {
      instead("sign-in.needed");
      Object.assign(state.about, { signed_in: null, csrf: null });
      state.tell("about");
      const stop = state.hear("about", () => { if (state.about.signed_in) { stop(); done(); } });
    }),
    waits: () => { if (!there) instead("lost.start"); },
  });
}

begin();
