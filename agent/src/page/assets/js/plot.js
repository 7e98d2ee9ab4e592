// A plot over time on a canvas: several series, an axis a unit, limits and events drawn in, a cursor. Draws what it is given
// and says where a finger or pointer is; knows nothing of the agent. Each bucket is drawn from its minimum to its maximum, so
// that no peak is lost however many samples a pixel holds. Colours: Okabe and Ito (2008), safe for colour-blind readers;
// each series has its own dash too.

import { day, number } from "./text.js";

export const COLOURS = { light: ["#0072b2", "#d55e00", "#007a5a", "#a0417e", "#8a6d00", "#1c2226", "#3a7ca5", "#a33c00"], dark: ["#56b4e9", "#e69f00", "#2fc99c", "#e39ac4", "#f0e442", "#eceff1", "#8fd0ff", "#ff8f4d"] };
export const DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 5], [14, 4], [3, 6], [1, 4]];
const EDGE = { top: 14, bottom: 34 }, AXIS = 66;
const STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800];

/** Round steps for about `about` ticks between two values. */
export function ticks(low, high, about) {
  const raw = (high - low) / Math.max(1, about), power = 10 ** Math.floor(Math.log10(raw || 1));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((one) => one >= raw) ?? power * 10;
  const list = [];
  for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-9; at += step) list.push(Math.abs(at) < step * 1e-9 ? 0 : at);
  return { list, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9) + (step / power === 2.5 ? 1 : 0)) };
}

/** Draws a whole plot. `view` is `{from, to}`, `series` `[{unit, colour, dash, t, min, max, mid}]`, values as shown. */
export function draw(canvas, view, series, { limits = [], marks = [], cursor = null, paper = false } = {}) {
  const ratio = devicePixelRatio || 1, wide = canvas.clientWidth, high = canvas.clientHeight;
  if (canvas.width !== Math.round(wide * ratio) || canvas.height !== Math.round(high * ratio)) { canvas.width = Math.round(wide * ratio); canvas.height = Math.round(high * ratio); }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, wide, high);
  const style = getComputedStyle(canvas);
  const [ink, faint, soft] = paper ? ["#000", "#333", "#ccc"] : ["--ink", "--faint", "--soft"].map((name) => style.getPropertyValue(name));
  // A sheet is narrower than a screen: what is drawn for it is made smaller, but for its words.
  pen.font = `${Math.round(parseFloat(style.fontSize) * (paper ? 1.25 : 0.8))}px ${style.fontFamily}`;
  const units = [...new Set(series.map((one) => one.unit))].slice(0, 4);
  const left = Math.ceil(units.length / 2) * AXIS || AXIS, right = Math.floor(units.length / 2) * AXIS || 12;
  const box = { x: left, y: EDGE.top, w: Math.max(10, wide - left - right), h: Math.max(10, high - EDGE.top - EDGE.bottom) };
  const x = (t) => box.x + ((t - view.from) / (view.to - view.from)) * box.w;
  const scales = new Map(units.map((unit) => [unit, scale(series.filter((one) => one.unit === unit), limits.filter((one) => one.unit === unit), view)]));
  const y = (unit, value) => { const s = scales.get(unit); return box.y + box.h - ((value - s.low) / (s.high - s.low)) * box.h; };

  timeAxis(pen, view, box, x, { faint, soft });
  units.forEach((unit, n) => valueAxis(pen, unit, scales.get(unit), n, box, (value) => y(unit, value), { ink, faint, soft }, n === 0));
  pen.save();
  pen.beginPath(); pen.rect(box.x, box.y, box.w, box.h); pen.clip();
  for (const limit of limits) {
    if (!scales.has(limit.unit)) continue;
    pen.strokeStyle = limit.colour; pen.lineWidth = 1.5; pen.setLineDash([3, 4]);
    line(pen, [[box.x, y(limit.unit, limit.at)], [box.x + box.w, y(limit.unit, limit.at)]]);
    pen.setLineDash([]); pen.fillStyle = faint; pen.textAlign = "left";
    pen.fillText(limit.text, box.x + 4, y(limit.unit, limit.at) - 4);
  }
  for (const one of series) if (scales.has(one.unit)) drawSeries(pen, one, x, (value) => y(one.unit, value), view);
  pen.setLineDash([]);
  for (const mark of marks) {
    const at = x(mark.t);
    pen.strokeStyle = mark.heavy ? ink : faint; pen.lineWidth = 1; pen.setLineDash(mark.heavy ? [6, 3] : [2, 4]);
    line(pen, [[at, box.y], [at, box.y + box.h]]);
    pen.setLineDash([]); pen.fillStyle = mark.heavy ? ink : faint;
    pen.beginPath(); pen.moveTo(at - 6, box.y); pen.lineTo(at + 6, box.y); pen.lineTo(at, box.y + 9); pen.fill();
  }
  if (cursor !== null) { pen.strokeStyle = ink; pen.lineWidth = 1; line(pen, [[x(cursor), box.y], [x(cursor), box.y + box.h]]); }
  pen.restore();
  return { box, time: (px) => view.from + ((px - box.x) / box.w) * (view.to - view.from) };
}

function line(pen, points) { pen.beginPath(); points.forEach(([px, py], n) => (n ? pen.lineTo(px, py) : pen.moveTo(px, py))); pen.stroke(); }

function scale(series, limits, view) {
  let low = Infinity, high = -Infinity;
  for (const one of series) for (let n = 0; n < one.t.length; n += 1) {
    if (one.t[n] < view.from || one.t[n] > view.to || one.min[n] === null) continue;
    if (one.min[n] < low) low = one.min[n];
    if (one.max[n] > high) high = one.max[n];
  }
  if (low > high) { low = 0; high = 1; }
  const span = high - low;
  // A limit is drawn in when it is not far off; else it would press the curve flat.
  for (const limit of limits) if (limit.at > low - 2 * span - 1 && limit.at < high + 2 * span + 1) { low = Math.min(low, limit.at); high = Math.max(high, limit.at); }
  const room = (high - low) * 0.06 || Math.abs(high) * 0.05 || 1;
  return { low: low - room, high: high + room };
}

function drawSeries(pen, one, x, y, view) {
  pen.strokeStyle = one.colour; pen.fillStyle = one.colour; pen.lineWidth = 2; pen.setLineDash(one.dash);
  const { t, min, max, mid } = one;
  let from = 0;
  while (from < t.length - 1 && t[from + 1] < view.from) from += 1;
  pen.globalAlpha = 0.28;
  pen.setLineDash([]); pen.lineWidth = 1.5;
  pen.beginPath();
  for (let n = from; n < t.length && t[n] <= view.to; n += 1) if (min[n] !== null && max[n] !== min[n]) { const at = x(t[n]); pen.moveTo(at, y(min[n])); pen.lineTo(at, y(max[n])); }
  pen.stroke();
  pen.globalAlpha = 1;
  pen.setLineDash(one.dash); pen.lineWidth = 2;
  pen.beginPath();
  let drawing = false, alone = null, before = null;
  for (let n = from; n < t.length; n += 1) {
    const gap = before !== null && t[n] - before > one.gap;
    if (mid[n] === null || gap) { drawing = false; if (mid[n] === null) { before = t[n]; continue; } }
    const at = x(t[n]), to = y(mid[n]);
    if (drawing) { pen.lineTo(at, to); alone = null; } else { if (alone) pen.rect(alone[0] - 1, alone[1] - 1, 2, 2); pen.moveTo(at, to); alone = [at, to]; }
    drawing = true; before = t[n];
    if (t[n] > view.to) break;
  }
  pen.stroke();
}

function timeAxis(pen, view, box, x, { faint, soft }) {
  const seconds = (view.to - view.from) / 1000, step = (STEPS_S.find((one) => seconds / one <= box.w / 90) ?? 604800) * 1000;
  const shift = new Date(view.from).getTimezoneOffset() * 60000;
  pen.textAlign = "center"; pen.lineWidth = 1;
  for (let at = Math.ceil((view.from - shift) / step) * step + shift; at <= view.to; at += step) {
    pen.strokeStyle = soft; line(pen, [[x(at), box.y], [x(at), box.y + box.h]]);
    const when = new Date(at);
    pen.fillStyle = faint;
    const two = (n) => String(n).padStart(2, "0");
    pen.fillText(step >= 86400000 ? day(at, false) : `${two(when.getHours())}:${two(when.getMinutes())}${step < 60000 ? `:${two(when.getSeconds())}` : ""}`, x(at), box.y + box.h + 18);
  }
}

function valueAxis(pen, unit, scale, n, box, y, { ink, faint, soft }, grid) {
  const onLeft = n % 2 === 0, at = onLeft ? box.x - 6 - Math.floor(n / 2) * AXIS : box.x + box.w + 6 + Math.floor(n / 2) * AXIS;
  pen.textAlign = onLeft ? "right" : "left";
  const { list, digits } = ticks(scale.low, scale.high, box.h / 55);
  for (const value of list) {
    if (grid) { pen.strokeStyle = soft; pen.lineWidth = 1; line(pen, [[box.x, y(value)], [box.x + box.w, y(value)]]); }
    pen.fillStyle = faint;
    pen.fillText(number(value, digits), at, y(value) + 4);
  }
  pen.fillStyle = ink;
  pen.fillText(unit, at, box.y + box.h + 30);
}
