// The one sentence at the top of every screen: is the module well, and if not, what is wrong first.
// The first is the first-out of the most urgent incident; what follows from it is counted, not told again.

import { fill, h, pick, say } from "./dom.js";
import { mark } from "./parts.js";
import * as state from "./state.js";
import { count, t } from "./text.js";

/** The alarm that is told first. */
export function first() {
  const active = state.present();
  if (!active.length) return null;
  const worst = active[0];
  const cause = worst.follows && state.alarms.get(worst.follows);
  return cause && cause.active ? cause : worst;
}

/** Draws the verdict into an element; answers the function that renews it. `spoken` hears each new alarm once. */
export function verdict(element, spoken) {
  const known = new Set();
  let before = null;
  return () => {
    const alarms = state.present();
    for (const one of alarms) {
      const key = `${one.alarm}/${one.occurrence}`;
      if (state.isNew(one) && one.active && !one.follows && !known.has(key)) say(spoken, `${t(`priority.${one.priority}`)}: ${one.text}`);
      known.add(key);
    }
    const top = first();
    const key = top ? `${top.alarm}/${top.occurrence}/${top.state}/${top.text}/${alarms.length}/${state.lost}` : `none/${state.lost}/${document.documentElement.lang}`;
    if (key === before) return;
    before = key;
    pick(element, "p-", !state.lost && top?.active ? top.priority : null);
    if (!top) {
      fill(element, h("a", { href: "#/alarms" }, state.lost ? t("verdict.unknown") : t("verdict.well"),
        h("small", { text: state.lost ? "" : hiddenWords() })));
      return;
    }
    const followers = alarms.filter((one) => one.alarm !== top.alarm && one.active).length;
    const words = [t(`impact.${top.impact}`), followers ? count("verdict.more", followers) : ""].filter(Boolean).join(" · ");
    fill(element, mark(top.priority, state.isNew(top) ? "new" : ""),
      h("a", { href: `#/alarms/${encodeURIComponent(top.alarm)}` }, top.active ? top.text : t("verdict.cleared", { text: top.text }), h("small", { text: words })));
  };
}

function hiddenWords() {
  const hidden = state.hiddenAlarms().length;
  return hidden ? count("verdict.hidden", hidden) : t("verdict.none");
}
