// The stream: takes what the agent sends, notices within three seconds when nothing comes any more, says so, tries again.
// A changed catalogue, boot or log means that what was loaded is old: then everything is loaded anew.

import * as state from "./state.js";

const QUIET_MS = 3000;
const AGAIN_MS = [250, 500, 1000, 2000, 4000];

/** Starts the stream; `reload` loads everything and is called at each new beginning that differs. */
export function live(reload) {
  let source = null, heard = 0, tries = 0, begun = null, waiting = null;

  const beat = (t) => { heard = performance.now(); tries = 0; if (t) state.clockIs(t); state.setLost(false); };
  const open = () => {
    waiting = null;
    source = new EventSource("/api/live");
    heard = performance.now();
    const on = (name, take) => source.addEventListener(name, (message) => { const data = JSON.parse(message.data); take(data); });
    on("hello", async (data) => {
      const same = begun && begun.catalogue === data.catalogue && begun.boot === data.boot && begun.log === data.log;
      const first = begun === null;
      begun = data;
      if (!first) await reload(!same).catch(() => again());
      beat(data.t);
    });
    on("readings", (data) => { beat(data.t); state.takeValues(data.values); });
    on("alarm", (data) => state.takeAlarm(data));
    on("event", (data) => state.takeEvents([data]));
    on("links", (data) => { for (const link of [data].flat()) { const known = state.links.get(link.name); if (known) Object.assign(known, link, { devices: merged(known.devices, link.devices) }); } state.tell("links"); });
    on("suppress", (data) => state.takeRules(data.rules));
    on("mode", (data) => { state.about.mode = data.mode; state.about.mode_until = data.until ?? null; state.tell("about"); });
    on("beat", (data) => beat(data.t));
    on("cut", () => again());
    source.onerror = () => again();
  };
  const again = () => {
    source?.close();
    source = null;
    state.setLost(true);
    waiting ??= setTimeout(open, AGAIN_MS[Math.min(tries++, AGAIN_MS.length - 1)]);
  };
  setInterval(() => { if (source && performance.now() - heard > QUIET_MS) again(); }, 500);
  window.addEventListener("online", () => { if (!source) { clearTimeout(waiting); open(); } });
  open();
}

function merged(known = [], fresh = []) {
  return known.map((device) => ({ ...device, ...(fresh.find((one) => one.name === device.name) ?? {}) }));
}
