// What the page knows now: who the agent is, its points, their values, its alarms, its links. One place, changed only by
// live.js and the loading in main.js; screens ask and are told when something has changed. Times are the agent's clock.

const GOOD = 0, UNCERTAIN = 1, OUT_OF_DATE = 0x4090;

export const about = { site: "", module: "", mode: "live", overview: {}, signed_in: null, csrf: null };
export const points = new Map(); // by id
export const byPath = new Map();
export const values = new Map(); // by id: {value, status, t}
export const alarms = new Map(); // by id of the alarm: its record
export const links = new Map();
export const events = []; // the newest, oldest first
export let rules = []; // declared suppressions
export let figures = {};
export let lost = true;
const worst = new Map(); // what was found since the last change of an alarm, by what was asked
let ahead = 0; // the agent's clock less ours, ms
const listeners = new Map();

/** Calls `what` when a topic changes: `values`, `alarms`, `links`, `about`, `events`, `lost`. Answers how to stop. */
export function hear(topic, what) {
  if (!listeners.has(topic)) listeners.set(topic, new Set());
  listeners.get(topic).add(what);
  return () => listeners.get(topic).delete(what);
}

/** Says that a topic has changed. */
export function tell(topic, detail) {
  for (const what of [...(listeners.get(topic) ?? [])]) what(detail);
}

/** Now, by the agent's clock, ms. */
export const now = () => Date.now() + ahead;
/** Learns the agent's clock from a stamp that has just come. */
export const clockIs = (t) => { ahead = t - Date.now(); };

export function takeAbout(there) { Object.assign(about, { mode_until: null, signed_in: null, csrf: null }, there); tell("about"); }

export function takePoints(list) {
  points.clear(); byPath.clear(); values.clear(); worst.clear();
  list.forEach((point, order) => { const whole = { ...point, order }; points.set(point.id, whole); byPath.set(point.path, whole); });
}

export function takeValues(list) {
  for (const [id, value, status, t] of list) values.set(id, { value, status, t });
  tell("values", list);
}

export function takeAlarms(answer) {
  alarms.clear(); worst.clear();
  for (const record of answer.alarms) alarms.set(record.alarm, record);
  figures = answer.figures ?? {};
  tell("alarms");
}

export function takeAlarm(record) { alarms.set(record.alarm, record); worst.clear(); tell("alarms", record); }
export function takeRules(list) { rules = list; tell("alarms"); }
export function takeLinks(list) { links.clear(); for (const link of list) links.set(link.name, link); tell("links"); }

export function takeEvents(list) {
  for (const event of list) if (!events.some((one) => one.seq === event.seq && one.log === event.log)) events.push(event);
  events.sort((a, b) => (a.log === b.log ? a.seq - b.seq : a.t - b.t));
  if (events.length > 600) events.splice(0, events.length - 600);
  tell("events", list);
}

export function setLost(is) {
  if (lost === is) return;
  lost = is;
  document.documentElement.classList.toggle("data-lost", is);
  tell("lost");
}

/** Good (0), uncertain (1) or bad (2): the two top bits of an OPC UA status. */
export const quality = (status) => Math.min(2, status >>> 30);

/** The value of a point by path, or `null`: `{value, status, t, point, quality, old}`. */
export function reading(path) {
  const point = byPath.get(path);
  const there = point && values.get(point.id);
  if (!there) return null;
  const how = quality(there.status);
  return { ...there, point, quality: how, old: how === UNCERTAIN && there.status >>> 16 === OUT_OF_DATE };
}

/** Its number if it can be used, else `null`. */
export function usable(path) {
  const there = reading(path);
  return there && there.quality !== 2 && typeof there.value === "number" ? there.value : null;
}

export const isGood = (status) => quality(status) === GOOD;
const ORDER = { critical: 0, high: 1, medium: 2, low: 3 };
export const urgency = (record) => ORDER[record.priority] ?? 4;

/** Alarms that ask for a person: active, or not yet acknowledged, or held; not the hidden ones. */
export function present() {
  return [...alarms.values()]
    .filter((one) => !["normal", "shelved", "suppressed", "out_of_service"].includes(one.state))
    .sort((a, b) => Number(b.active) - Number(a.active) || urgency(a) - urgency(b) || (a.raised_at ?? a.t) - (b.raised_at ?? b.t));
}

/** Alarms hidden now. */
export const hiddenAlarms = () => [...alarms.values()].filter((one) => ["shelved", "suppressed", "out_of_service"].includes(one.state));
/** Whether an alarm still asks to be noticed. */
export const isNew = (record) => ["unacknowledged", "returned_unacknowledged", "latched_unacknowledged"].includes(record.state);

/** The most urgent present alarm of a point; where its reading is not good, of the device that should give it; or `null`. */
export function alarmOf(path) {
  const point = byPath.get(path);
  if (!point) return null;
  const own = remembered(path, () => ofPoint(point));
  return point.device && reading(path)?.quality ? worse(own, alarmAt(`agent/device/${point.device}`)) : own;
}
/** The more urgent of two alarms; either may be `null`. */
export const worse = (one, other) => (one && (!other || urgency(one) <= urgency(other)) ? one : other);
const ofPoint = (point) => worstOf((point?.alarms ?? []).map((id) => alarms.get(id)));

/** The most urgent present alarm of any point below some paths, or of some points. */
export function alarmAt(prefixes, paths = []) {
  const below = [prefixes].flat().filter(Boolean);
  return remembered(`below ${below} or ${paths}`, () => worstOf([...alarms.values()].filter((one) => below.some((prefix) => one.point.startsWith(`${prefix}/`)) || paths.includes(one.point))));
}

/** Many parts ask the same at every draw; an alarm changes seldom. */
function remembered(question, find) {
  if (!worst.has(question)) worst.set(question, find());
  return worst.get(question);
}

function worstOf(records) {
  const shown = records.filter((one) => one?.active && !["shelved", "suppressed", "out_of_service"].includes(one.state));
  return shown.reduce((most, one) => (most && urgency(most) <= urgency(one) ? most : one), null);
}
