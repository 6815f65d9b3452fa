// The drum record: one thin lane a stall, time from left to right, the newest at the right edge.
import {$, colour, kpa, make, num, pen, t, vacuumUnit} from "./words.js";

const TOP = 20, MINUTE = 60;
let stalls = 0, span = 0, firstS = 0, next = 0, now = 0;
let lanes = [], marks = new Map(), dips = new Map(), open = [], dip = null;

export const newest = () => now;
const keep = (map, rows, key) => rows?.forEach((row) => map.set(key(row), row));
const markKey = (mark) => `${mark[0]}-${mark[1]}`;

export function begin(snapshot, facts) {
  ({stalls, span} = facts);
  const seen = snapshot.lanes;
  lanes = seen.map((runs) => [...runs.matchAll(/(\D)(\d+)/g)].map(([, code, n]) => code.repeat(n)).join(""));
  firstS = snapshot.from;
  next = firstS + (lanes[0]?.length ?? 0);
  marks = new Map();
  dips = new Map();
  keep(marks, snapshot.marks, markKey);
  keep(dips, snapshot.dips, (row) => row[0]);
  ({open, dip, t: now} = snapshot);
}

export function add(tick) {
  (tick.columns ?? []).forEach((column, k) => {
    const at = tick.from + k;
    if (at < next) return;
    if (at > next) { lanes = lanes.map(() => ""); firstS = at; }
    lanes = lanes.map((lane, i) => lane + column[i]);
    next = at + 1;
  });
  const drop = next - firstS - span;
  if (drop > 0) { lanes = lanes.map((lane) => lane.slice(drop)); firstS += drop; }
  keep(marks, tick.marks, markKey);
  keep(dips, tick.dips, (row) => row[0]);
  open = tick.open ?? [];
  dip = tick.dip ?? null;
  now = tick.t;
  for (const [key, mark] of marks) if (mark[2] < now - span * 1000) marks.delete(key);
  for (const [key, row] of dips) if (row[1] < now - span * 1000) dips.delete(key);
}

// Which of a stall's states is the newest: idle, gap, milking, unsupported.
export function state(stall) {
  const code = lanes[stall - 1]?.at(-1) ?? ".";
  return code === "." ? "idle" : code === "?" ? "gap" : code < "a" ? "milking" : "unsupported";
}

export const slips = (stall) => [...marks.values()].filter((mark) => mark[0] === stall && mark[4] === "s").length;

export function summary(minutes) {
  const states = lanes.map((_, i) => state(i + 1)), since = now - minutes * 60000;
  return t("lanesLabel", {
    minutes,
    attached: states.filter((s) => s === "milking" || s === "unsupported").length,
    unsupported: states.filter((s) => s === "unsupported").length,
    slips: [...marks.values()].filter((mark) => mark[2] > since && mark[4] === "s").length,
    dips: [...dips.values()].filter((row) => row[1] > since).length + (dip ? 1 : 0),
  });
}

export const minutes = (width) => (width < 600 ? 3 : width < 1200 ? 6 : 8);

function hatch(g, ink) {
  const tile = make("canvas", {width: 5, height: 5}), p = tile.getContext("2d");
  p.strokeStyle = ink;
  p.lineWidth = 1.6;
  p.beginPath();
  for (const k of [-5, 0, 5]) { p.moveTo(k, 5); p.lineTo(k + 5, 0); }
  p.stroke();
  return g.createPattern(tile, "repeat");
}

// Litres on a scale that shows a tenth of a litre and a fallen unit alike.
const reach = (litres, pitch) => Math.max(7, pitch * 0.6) + Math.max(10, pitch) * 1.1 * Math.log2(1 + 4 * litres) / 3;

function spike(g, ink, x, y, {width, litres, kind, pitch}) {
  const h = Math.min(3.2 * Math.max(12, pitch), reach(litres, pitch));
  g.fillStyle = kind === "f" ? ink.fall : ink.slip;
  g.beginPath();
  g.moveTo(x, y + 1);
  g.lineTo(x + width / 2, y - h);
  g.lineTo(x + width, y + 1);
  g.fill();
  if (kind === "f") g.fillRect(x - 3, y - h - 2, width + 6, 4);
  if (kind === "r") { g.fillStyle = ink.sheet; g.fillRect(x + width / 2 - 1, y - h * 0.5, 2, h * 0.5); }
}

function drawLane(g, ink, lane, {x, y, pitch, loose}) {
  for (const [run] of lane.text.matchAll(/(.)\1*/g)) {
    const code = run[0], from = x(lane.at), to = x(lane.at + run.length);
    lane.at += run.length;
    if (to < lane.left) continue;
    const left = Math.max(from, lane.left);
    if (code === "?") { for (let k = left; k < to; k += 8) g.clearRect(k, y - 1.5, 5, 3); continue; }
    if (code === ".") continue;
    const level = (code.charCodeAt(0) - 65) % 32, half = 1 + level / 15 * pitch * 0.5;
    g.fillStyle = ink.body;
    g.fillRect(left, y - half, to - left + 0.5, 2 * half);
    if (code >= "a") {
      const tall = Math.max(4, pitch * 0.44);
      g.fillStyle = ink.sheet;
      g.fillRect(left, y - tall, to - left + 0.5, 2 * tall);
      g.fillStyle = loose;
      g.fillRect(left, y - tall, to - left + 0.5, 2 * tall);
    }
  }
}

function drawBand(g, ink, [from, to], height) {
  g.globalAlpha = 0.3;
  g.fillStyle = ink.dip;
  g.fillRect(from, TOP, Math.max(3, to - from), height);
  g.globalAlpha = 1;
  g.strokeStyle = ink.dip;
  g.setLineDash([5, 3]);
  g.strokeRect(from, TOP - 1, Math.max(3, to - from), height + 2);
  g.setLineDash([]);
}

// Drawn last: no lane may cover the figure.
function labelBand(g, ink, from, depth) {
  const text = `−${num(kpa(depth), 1)} ${vacuumUnit()}`, wide = g.measureText(text).width + 8;
  g.fillStyle = ink.dip;
  g.fillRect(from - wide, TOP - 1, wide, 15);
  g.fillStyle = ink.sheet;
  g.textAlign = "left";
  g.fillText(text, from - wide + 4, TOP + 10);
}

function inks() {
  return Object.fromEntries(["ground", "sheet", "ink", "dim", "line", "body", "slip", "fall", "loose", "dip"].map((name) => [name, colour(name)]));
}

export function draw() {
  const canvas = $("lanes"), {g, width, height} = pen(canvas), ink = inks();
  const shown = minutes(width), gutter = $("stalls").firstChild?.firstChild?.offsetWidth ?? 34;
  const pitch = (height - TOP) / Math.max(1, stalls), right = width - 8;
  const x = (s) => right - (now / 1000 - s) / (shown * MINUTE) * (right - gutter);
  const y = (stall) => TOP + (stall - 0.5) * pitch;
  g.font = "11px system-ui, sans-serif";
  g.lineWidth = 1;
  g.save();
  g.beginPath();
  g.rect(gutter, 0, width - gutter, height);
  g.clip();
  drawTime(g, ink, {x, shown, height});
  g.fillStyle = ink.line;
  for (let stall = 1; stall <= stalls; stall++) g.fillRect(gutter, y(stall) - 0.5, right - gutter, 1);
  const bands = dip ? [...dips.values(), [dip[0], now, dip[1]]] : [...dips.values()];
  for (const [from, to] of bands) drawBand(g, ink, [x(from / 1000), x(to / 1000)], height - TOP);
  const loose = hatch(g, ink.loose);
  lanes.forEach((text, i) => drawLane(g, ink, {text, at: firstS, left: gutter}, {x, y: y(i + 1), pitch, loose}));
  for (const [stall, from, to, litres, kind] of marks.values()) {
    const left = x(from / 1000), wide = Math.max(5, x(to / 1000) - left);
    if (left + wide > gutter) spike(g, ink, left, y(stall), {width: wide, litres, kind, pitch});
  }
  for (const [stall, from, litres, low] of open) {
    const left = x(from / 1000);
    spike(g, ink, left, y(stall), {width: Math.max(5, right - left), litres, kind: low >= 1 ? "f" : "s", pitch});
  }
  for (const [from, to, depth] of bands) if (to > now - shown * 60000) labelBand(g, ink, x(from / 1000), depth);
  g.restore();
  drawTips(g, ink, {right, y, pitch});
  canvas.setAttribute("aria-label", summary(shown));
  return shown;
}

function drawTime(g, ink, {x, shown, height}) {
  g.textAlign = "center";
  const last = Math.floor(now / 60000);
  for (let minute = last; minute >= last - shown; minute--) {
    const at = Math.round(x(minute * 60)) + 0.5;
    g.fillStyle = ink.line;
    g.globalAlpha = 0.6;
    g.fillRect(at, TOP - 4, 1, height - TOP + 4);
    g.globalAlpha = 1;
    g.fillStyle = ink.dim;
    g.fillText(new Date(minute * 60000).toLocaleTimeString([], {hour: "2-digit", minute: "2-digit", hour12: false}), at, 12);
  }
}

// The pens: a dot where each lane is being written.
function drawTips(g, ink, {right, y, pitch}) {
  const r = Math.min(3, Math.max(1.5, pitch * 0.25));
  for (let stall = 1; stall <= stalls; stall++) {
    const what = state(stall);
    if (what === "gap") continue;
    g.fillStyle = what === "idle" ? ink.line : what === "milking" ? ink.body : ink.loose;
    g.beginPath();
    g.arc(right + 3, y(stall), r, 0, 7);
    g.fill();
  }
}

const SIGNS = ["milking", "slip", "fall", "unsupported", "dip", "gap"];

export function legend() {
  const ink = inks();
  $("legend").replaceChildren(...SIGNS.map((name) => {
    const canvas = make("canvas", {width: 52, height: 32}), g = canvas.getContext("2d");
    g.scale(2, 2);
    g.fillStyle = ink.line;
    g.fillRect(0, 11.5, 26, 1);
    const shape = {x: (s) => s, y: 12, pitch: 11, loose: hatch(g, ink.loose)};
    if (name === "milking") for (const [k, code] of [..."CFHJJIIHFD"].entries()) drawLane(g, ink, {text: code.repeat(2.6), at: k * 2.6, left: 0}, shape);
    if (name === "slip") spike(g, ink, 11, 12, {width: 5, litres: 0.4, kind: "s", pitch: 11});
    if (name === "fall") spike(g, ink, 10, 13, {width: 6, litres: 0.3, kind: "f", pitch: 11});
    if (name === "unsupported") drawLane(g, ink, {text: "f".repeat(20), at: 3, left: 0}, shape);
    if (name === "gap") drawLane(g, ink, {text: "?".repeat(26), at: 0, left: 0}, shape);
    if (name === "dip") { g.translate(0, -TOP); drawBand(g, ink, [9, 17], 16); }
    canvas.setAttribute("aria-hidden", "true");
    return make("li", {}, canvas, t(`legend.${name}`));
  }));
}

// One button a stall, as wide as its lane; one tab stop, arrow keys walk.
export function layOutStalls(go) {
  const box = $("stalls");
  if (box.childElementCount === stalls) return;
  const buttons = Array.from({length: stalls}, (_, i) => {
    const button = make("button", {type: "button", tabIndex: i ? -1 : 0}, make("span", {}, `${i + 1}`));
    button.onclick = () => go(i + 1);
    return button;
  });
  box.onkeydown = (event) => {
    const step = {ArrowDown: 1, ArrowUp: -1, PageDown: 10, PageUp: -10, Home: -1e3, End: 1e3}[event.key];
    const at = buttons.indexOf(document.activeElement);
    if (!step || at < 0) return;
    event.preventDefault();
    const to = buttons[Math.min(stalls - 1, Math.max(0, at + step))];
    buttons[at].tabIndex = -1;
    to.tabIndex = 0;
    to.focus();
  };
  box.replaceChildren(...buttons);
}

export function labelStalls(called) {
  [...$("stalls").children].forEach((button, i) => {
    const stall = i + 1;
    button.className = called.has(stall) ? `called ${called.get(stall)}` : "";
    const label = t("stallLabel", {stall, state: t(`state.${state(stall)}`), slips: slips(stall)});
    if (button.getAttribute("aria-label") !== label) button.setAttribute("aria-label", label);
  });
}
