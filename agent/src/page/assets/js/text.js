// The page's words in the reader's language. One file a language in texts/; what a language lacks is said in English.
// The sentences of alarms and events come from the agent, in the site's language, and are not touched here.

import english from "../texts/en.js";

const LANGUAGES = { en: "English", de: "Deutsch" };
let words = english;
let current = "en";

/** The languages there are: code and name. */
export const languages = () => Object.entries(LANGUAGES);
/** The code of the language in force. */
export const language = () => current;

/** Takes a language into force; an unknown one is English. */
export async function speak(code) {
  const wanted = code in LANGUAGES ? code : "en";
  const there = wanted === "en" ? english : { ...english, ...(await import(`../texts/${wanted}.js`)).default };
  // Both at once: nothing is ever drawn in one language under the other's name.
  [current, words] = [wanted, there];
  document.documentElement.lang = current;
}

/** A text by its key; `{name}` is replaced. A key without text shows itself, so that the gap is seen. */
export function t(key, values = {}) {
  const text = words[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

/** A text for a number of things: `key.one` or `key.many`. */
export const count = (key, n) => t(n === 1 ? `${key}.one` : `${key}.many`, { n });

const writers = new Map(); // making one costs more than writing a thousand numbers

/** A number as this language writes it. */
export function number(value, digits) {
  const key = `${current}/${digits}`;
  if (!writers.has(key)) writers.set(key, new Intl.NumberFormat(current, { minimumFractionDigits: digits, maximumFractionDigits: digits }));
  return writers.get(key).format(value);
}

/** A stretch of time in words a person says. */
export function duration(seconds) {
  const s = Math.max(0, Math.round(seconds));
  if (s < 120) return t("time.s", { n: s });
  if (s < 7200) return s % 60 === 0 || s >= 600 ? t("time.min", { n: Math.round(s / 60) }) : t("time.min-s", { m: Math.floor(s / 60), s: s % 60 });
  if (s < 172800) return t("time.h-min", { h: Math.floor(s / 3600), m: Math.floor((s % 3600) / 60) });
  return t("time.d", { n: Math.floor(s / 86400) });
}

/** Clock time of a stamp; with the date when it is not today. */
export function clock(ms, withSeconds = true) {
  const when = new Date(ms);
  const hours = when.toLocaleTimeString(current, { hour: "2-digit", minute: "2-digit", second: withSeconds ? "2-digit" : undefined, hourCycle: "h23" });
  return when.toDateString() === new Date().toDateString() ? hours : `${day(ms, true)} ${hours}`;
}

/** The day of a stamp, with or without its year; English writes it as ISO 8601 does, which no country reads otherwise. */
export function day(ms, year) {
  const when = new Date(ms), two = (n) => String(n).padStart(2, "0"), [m, d] = [two(when.getMonth() + 1), two(when.getDate())];
  return current === "de" ? `${d}.${m}.${year ? when.getFullYear() : ""}` : `${year ? `${when.getFullYear()}-` : ""}${m}-${d}`;
}
