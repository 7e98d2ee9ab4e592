// How far a value is from trouble: the scale, the normal range and the limits of a point from its alarms, and the distance
// to the nearest limit in words. Limits are in the point's unit. Knows no layout.

import { alarms, byPath } from "./state.js";
import { t } from "./text.js";
import { saidDifference } from "./units.js";

/** Limits of a point: `{low: [{at, priority, id}], high: […]}`, the nearest to normal first. */
export function limitsOf(path) {
  const found = { low: [], high: [] };
  for (const id of byPath.get(path)?.alarms ?? []) {
    const record = alarms.get(id);
    if (!record || record.limit === undefined || record.limit_unit) continue;
    if (record.condition === "high") found.high.push({ at: Number(record.limit), priority: record.priority, id });
    if (record.condition === "low") found.low.push({ at: Number(record.limit), priority: record.priority, id });
  }
  found.high.sort((a, b) => a.at - b.at);
  found.low.sort((a, b) => b.at - a.at);
  return found;
}

/** The stretch a bar shows, so that the normal range fills about its middle. */
export function scaleOf(point, limits, value) {
  const all = [...limits.low, ...limits.high].map((limit) => limit.at);
  let low = all.length ? Math.min(...all) : (point.valid?.[0] ?? 0);
  let high = all.length ? Math.max(...all) : (point.valid?.[1] ?? 1);
  if (limits.high.length && !limits.low.length) low = Math.min(high - Math.abs(high) * 0.6, point.valid?.[0] >= 0 ? Math.max(0, point.valid[0]) : high);
  if (limits.low.length && !limits.high.length) high = Math.max(low * 2, low + 1);
  const room = (high - low || Math.abs(high) || 1) * 0.18;
  if (limits.low.length) low -= room;
  if (limits.high.length) high += room;
  if (typeof value === "number") { low = Math.min(low, value - room * 0.3); high = Math.max(high, value + room * 0.3); }
  return { low, high };
}

/** The distance to the nearest limit: `{text, over}`. */
export function distance(point, limits, value) {
  if (typeof value !== "number") return { text: t("distance.unknown"), over: false };
  const beyond = [
    ...limits.high.filter((l) => value > l.at).map((l) => ({ ...l, by: value - l.at, key: "distance.above" })),
    ...limits.low.filter((l) => value < l.at).map((l) => ({ ...l, by: l.at - value, key: "distance.below" })),
  ].sort((a, b) => a.by - b.by);
  if (beyond.length) return { text: t(beyond[0].key, { by: saidDifference(point, beyond[0].by) }), over: true };
  const near = [
    ...limits.high.slice(0, 1).map((l) => ({ by: l.at - value, key: "distance.to-high" })),
    ...limits.low.slice(0, 1).map((l) => ({ by: value - l.at, key: "distance.to-low" })),
  ].sort((a, b) => a.by - b.by);
  return near.length ? { text: t(near[0].key, { by: saidDifference(point, near[0].by) }), over: false } : { text: t("distance.none"), over: false };
}
