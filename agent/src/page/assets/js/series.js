// The data of a trend: what history holds for a stretch of time, in buckets, with live readings added at its end. One
// object a point. Keeps at most what a screen can show; asks history again when the view has changed enough.

import { ask } from "./api.js";
import { byPath, now, quality, values } from "./state.js";
import { shown, shownUnit } from "./units.js";

const LIVE_MOST = 7200;

/** A series of one point. */
export class Series {
  constructor(path) {
    this.path = path;
    this.point = byPath.get(path);
    this.t = []; this.min = []; this.max = []; this.mid = []; this.gap = Infinity;
    this.loaded = null; this.failed = ""; this.asked = 0;
  }

  get unit() { return this.point ? shownUnit(this.point).text || "–" : "–"; }

  /** Takes what history has between two moments; an answer that came too late is dropped. */
  async load(from, to, buckets) {
    const mine = (this.asked += 1);
    try {
      const answer = await ask("readings", { point: this.path, from: Math.floor(from), to: Math.ceil(to), buckets });
      if (mine !== this.asked) return;
      const one = answer.points[0];
      const tail = this.live(one.t.at(-1) ?? from);
      this.t = [...one.t, ...tail.map((x) => x[0])];
      this.min = [...one.min, ...tail.map((x) => x[1])]; this.max = [...one.max, ...tail.map((x) => x[1])];
      this.mid = [...(one.average ?? one.end), ...tail.map((x) => x[1])];
      this.loaded = { from, to, buckets }; this.failed = "";
      const usual = this.t.length > 2 ? median(this.t) : this.point.scan_period_ms;
      this.gap = Math.max(3 * usual, 4 * this.point.scan_period_ms, 5000);
    } catch (error) {
      if (mine === this.asked) this.failed = error.message;
    }
  }

  /** Live samples after a moment that are held already. */
  live(after) {
    const list = [];
    for (let n = this.t.length - 1; n >= 0 && this.t[n] > after; n -= 1) list.unshift([this.t[n], this.mid[n]]);
    return list;
  }

  /** Adds the present reading if it is newer than the last. */
  add() {
    const there = this.point && values.get(this.point.id);
    if (!there || there.t <= (this.t.at(-1) ?? 0)) return;
    const value = quality(there.status) === 2 ? null : there.value;
    this.t.push(there.t); this.min.push(value); this.max.push(value); this.mid.push(value);
    if (this.gap === Infinity) this.gap = Math.max(5000, 4 * this.point.scan_period_ms);
    if (this.t.length > LIVE_MOST) for (const list of [this.t, this.min, this.max, this.mid]) list.splice(0, list.length - LIVE_MOST);
  }

  /** As the plot wants it, in the shown unit. */
  drawn(colour, dash) {
    const inUnit = (list) => list.map((value) => (value === null || value === undefined ? null : shown(this.point, value)));
    return { unit: this.unit, colour, dash, gap: this.gap, t: this.t, min: inUnit(this.min), max: inUnit(this.max), mid: inUnit(this.mid) };
  }

  /** The value at a moment: the last one not after it. */
  at(moment) {
    let low = 0, high = this.t.length;
    while (low < high) { const mid = (low + high) >> 1; if (this.t[mid] <= moment) low = mid + 1; else high = mid; }
    return low ? this.mid[low - 1] : null;
  }

  /** Whether a view needs history to be asked again. */
  wants(from, to, buckets) {
    const have = this.loaded;
    if (!have) return true;
    const same = Math.abs((to - from) / (have.to - have.from) - 1) < 0.2 && buckets <= have.buckets * 1.25;
    return !same || from < have.from - (to - from) * 0.02 || (to > have.to + (to - from) * 0.5 && to < now() - 5000);
  }
}

function median(t) {
  const steps = t.slice(1).map((at, n) => at - t[n]).sort((a, b) => a - b);
  return steps[Math.floor(steps.length / 2)];
}
