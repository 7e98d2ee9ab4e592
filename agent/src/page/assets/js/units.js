// Values for people: SI as the agent has them, or US customary by choice; digits as the point's resolution allows.
// Codes are UCUM. Factors: NIST SP 811, appendix B. What has no US counterpart stays as it is.

import { number } from "./text.js";

const TO_US = {
  Cel: ["°F", 1.8, 32], K: ["°F", 1.8, 0], "K/min": ["°F/min", 1.8, 0], "K/h": ["°F/h", 1.8, 0], "K/s": ["°F/s", 1.8, 0],
  Pa: ["inH₂O", 1 / 249.0889, 0, 2], kPa: ["psi", 1 / 6.894757, 0, 1], bar: ["psi", 14.50377, 0], "m3/h": ["gal/min", 4.402868, 0],
  "L/s": ["gal/min", 15.85032, 0], "L/min": ["gal/min", 0.2641721, 0], "m3/s": ["ft³/min", 2118.88, 0, 0], m: ["ft", 3.28084, 0],
  mm: ["in", 0.03937008, 0, 2], "kg/m3": ["lb/ft³", 0.06242796, 0, 3], "kJ/kg": ["Btu/lb", 0.4299226, 0],
};
let us = false;

/** SI (`false`) or US (`true`). */
export const customary = (choice) => { us = choice; };
/** Whether US units are shown. */
export const isCustomary = () => us;

/** How a unit is shown: `{text, factor, offset, digits}`. */
export function shownUnit(point) {
  const digits = Math.max(0, Math.min(3, -(point.exponent ?? 0)));
  const there = us ? TO_US[point.unit] : undefined;
  if (!there) return { text: point.unit_text ?? point.unit ?? "", factor: 1, offset: 0, digits };
  return { text: there[0], factor: there[1], offset: there[2], digits: there[3] ?? digits };
}

/** A value of a point in the shown unit. */
export function shown(point, value) {
  const unit = shownUnit(point);
  return value * unit.factor + unit.offset;
}

/** A difference of two values of a point in the shown unit: no offset. */
export const shownDifference = (point, difference) => difference * shownUnit(point).factor;

/** Number and unit of a value as text parts; states have names. */
export function parts(point, value) {
  const state = point.state_texts?.[String(value)] ?? point.states?.[String(value)];
  if (state !== undefined) return [state, ""];
  const unit = shownUnit(point);
  return [number(value * unit.factor + unit.offset, unit.digits), unit.text];
}

/** The same as one text. */
export function said(point, value) {
  const [text, unit] = parts(point, value);
  return unit ? `${text} ${unit}` : text;
}

/** A difference as text; in kelvin where the point is a temperature. */
export function saidDifference(point, difference) {
  const unit = shownUnit(point);
  const text = unit.text === "°C" ? "K" : unit.text;
  return `${number(Math.abs(difference) * unit.factor, unit.digits)} ${text}`.trim();
}
