// The one sentence at the top of every screen: is the module well, and if not, what is wrong first.
// The first is the first-out of the most urgent incident; what follows from it is counted, not told again.

import { fill, h, pick, say } from "./dom.js";
import { mark, present } from "./parts.js";
import * as state from "./state.js";
import { count, language, t } from "./text.js";

/** The alarm that is told first, and the most urgent one of what follows from it. */
export function first() {
  const worst = state.present()[0];
  if (!worst) return { top: null, worst: null };
  let top = worst;
  for (let steps = 0; top.follows && steps < 20; steps += 1) {
    const cause = state.alarms.get(top.follows);
    if (!cause?.active) break;
    top = cause;
  }
  // Two limits of one point: the one that is passed further is what stands now.
  if (top.point === worst.point) top = worst;
  // What follows is told beside its cause only where it is more urgent.
  return { top, worst: top.active && state.urgency(worst) >= state.urgency(top) ? top : worst };
}

/** Draws the verdict into an element; answers the function that renews it. `spoken` hears each new alarm once. */
export function verdict(element, spoken) {
  const known = new Set();
  let before = null;
  // What the alarm's point shows now: for the eye alone, or a screen reader would never be silent.
  const now = h("span", { class: "now", "aria-hidden": "true" });
  let shown = null;
  const renew = () => { const words = shown && !state.lost ? present(shown) : ""; say(now, words && ` · ${words}`); };
  setInterval(renew, 500);
  return () => {
    const alarms = state.present();
    for (const one of alarms) {
      const key = `${one.alarm}/${one.occurrence}`;
      if (state.isNew(one) && one.active && !one.follows && !known.has(key)) say(spoken, `${t(`priority.${one.priority}`)}: ${one.text}`);
      known.add(key);
    }
    const { top, worst } = first();
    const key = top ? `${top.alarm}/${top.occurrence}/${top.state}/${top.text}/${worst.alarm}/${worst.text}/${alarms.length}/${state.lost}/${language()}` : `none/${state.lost}/${state.hiddenAlarms().length}/${language()}`;
    if (key === before) return;
    before = key;
    pick(element, "p-", !state.lost && worst?.active ? worst.priority : null);
    shown = worst?.active ? worst.point : null;
    renew();
    if (!top) {
      fill(element, h("a", { href: "#/alarms" }, state.lost ? t("verdict.unknown") : t("verdict.well"),
        h("small", { text: state.lost ? "" : hiddenWords() })));
      return;
    }
    const others = alarms.filter((one) => one.alarm !== top.alarm && one.alarm !== worst.alarm && one.active).length;
    const stake = worst.active ? `${t(`impact.${worst.impact}`)}${worst.alarm === top.alarm ? "" : `: ${worst.text}`}` : "";
    const words = [state.lost ? t("verdict.unknown") : "", stake].filter(Boolean).join(" · "), more = others ? count("verdict.more", others) : "";
    fill(element, mark(worst.priority, state.isNew(worst) || state.isNew(top) ? "new" : ""),
      h("a", { href: `#/alarms/${encodeURIComponent(top.alarm)}` }, top.active ? top.text : t("verdict.cleared", { text: top.text }), h("small", {}, words, now, more && ` · ${more}`)));
  };
}

function hiddenWords() {
  const hidden = state.hiddenAlarms().length;
  return hidden ? count("verdict.hidden", hidden) : t("verdict.none");
}
