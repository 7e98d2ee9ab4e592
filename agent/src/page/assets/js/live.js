// The stream: takes what the agent sends, notices within three seconds when nothing comes any more, says so, tries again.
// The stream is there before anything is loaded, and what it says meanwhile is taken after that: nothing is missed between
// the two. A changed boot, log, catalogue or plan means that what was loaded is old: then everything is loaded anew. Where
// the agent answers nobody who has not signed in, it is the session that has ended: that is said instead.

import * as state from "./state.js";

const QUIET_MS = 3000;
const AGAIN_MS = [250, 500, 1000, 2000, 4000];
const SAME = ["boot", "log", "catalogue", "plan"];

/** Starts the stream. `load(everything)` loads everything anew, or what may have been missed; `refused()` resolves once a
 * person has signed in; `waits()` is told of each failure. */
export function live({ load, refused, waits }) {
  let source = null, heard = 0, tries = 0, begun = null, waiting = null;

  const beat = (t) => { tries = 0; if (t) state.clockIs(t); state.setLost(false); };
  const open = () => {
    waiting = null;
    heard = performance.now();
    const mine = (source = new EventSource("/api/live"));
    let held = []; // until everything is loaded
    const on = (name, take) => mine.addEventListener(name, (message) => {
      // What an older connection still had to say is not this one's.
      if (mine !== source) return;
      heard = performance.now();
      const data = JSON.parse(message.data);
      if (held) held.push(() => take(data)); else take(data);
    });
    mine.addEventListener("hello", async (message) => {
      const data = JSON.parse(message.data), same = begun !== null && SAME.every((key) => begun[key] === data[key]);
      try { await load(!same); } catch (error) { if (mine === source) again(error.status); return; }
      if (mine !== source) return;
      begun = data;
      beat(data.t);
      const those = held;
      held = null;
      for (const take of those) take();
    });
    on("readings", (data) => { beat(data.t); state.takeValues(data.values); });
    on("alarm", (data) => state.takeAlarm(data));
    on("event", (data) => state.takeEvents([data]));
    on("links", (data) => { for (const link of [data].flat()) { const known = state.links.get(link.name); if (known) Object.assign(known, link, { devices: merged(known.devices, link.devices) }); } state.tell("links"); });
    on("suppress", (data) => state.takeRules(data.rules));
    on("mode", (data) => { state.about.mode = data.mode; state.about.mode_until = data.until ?? null; state.tell("about"); });
    on("beat", (data) => beat(data.t));
    // The agent ends the stream in order; the next one says why, if it matters.
    mine.addEventListener("cut", () => { if (mine === source) { source = null; mine.close(); soon(); } });
    mine.onerror = () => { if (mine === source) failed(); };
  };
  // A browser does not say why a stream has failed; another question does.
  const failed = async () => {
    again();
    const answer = await fetch("/api/about", { headers: { Accept: "application/json" } }).catch(() => null);
    if (answer?.status === 401) again(401);
  };
  const again = (status) => {
    source?.close();
    source = null;
    state.setLost(true);
    if (waiting === "person") return;
    if (status === 401) { clearTimeout(waiting); waiting = "person"; refused().then(open); return; }
    waits();
    soon();
  };
  const soon = () => { waiting ??= setTimeout(open, AGAIN_MS[Math.min(tries++, AGAIN_MS.length - 1)]); };
  setInterval(() => { if (source && performance.now() - heard > QUIET_MS) again(); }, 500);
  window.addEventListener("online", () => { if (!source && waiting !== "person") { clearTimeout(waiting); open(); } });
  open();
}

function merged(known = [], fresh = []) {
  return known.map((device) => ({ ...device, ...(fresh.find((one) => one.name === device.name) ?? {}) }));
}
