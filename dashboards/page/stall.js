// One stall closely: live traces, last events with their waveforms, condition, history.
import {$, colour, kg, kpa, make, massUnit, moment, num, pen, t, vacuumUnit} from "./words.js";

const WINDOW = 20000, STEP = 50, SMOOTH_MS = 400;
const PLANES = ["v", "a", "f", "g", "c"];
let samples = new Map(), head = 0, newest = 0, running = false, before = 0, drawn = 0;
export const painted = () => drawn;

export function clear() {
  samples = new Map(PLANES.map((name) => [name, []]));
  head = newest = 0;
}
clear();

export function add(trace) {
  for (const name of PLANES) {
    const row = samples.get(name);
    const last = row.at(-1)?.[0] ?? 0; // what another browser's arrival repeats is known already
    trace[name].forEach((value, k) => value !== null && trace.t + k * STEP > last && row.push([trace.t + k * STEP, value]));
    while (row.length && row[0][0] < trace.t - 2 * WINDOW) row.shift();
  }
  newest = trace.t + trace.v.length * STEP;
  if (Math.abs(newest - head) > 3 * WINDOW) head = newest;
}

const STRIPS = [
  {key: "vacuum", lines: ["v"], ink: ["body"], scale: kpa, low: 0, least: 50, unit: vacuumUnit, share: 0.36},
  {key: "air", lines: ["a"], ink: ["slip"], scale: (v) => v, low: 0, least: 40, unit: () => "L/min", share: 0.24},
  {key: "flow", lines: ["f"], ink: ["ink"], scale: kg, low: 0, least: 5, unit: () => `${massUnit()}/min`, share: 0.2},
  {key: "arm", lines: ["g", "c"], ink: ["loose", "dip"], scale: (v) => v, spans: [30, 300], unit: () => "deg, mm", share: 0.2},
];

function line(g, points, {x, y, step}) {
  g.beginPath();
  let last = -1e9;
  for (const [at, value] of points) {
    if (at > head) break;
    at - last > step ? g.moveTo(x(at), y(value)) : g.lineTo(x(at), y(value));
    last = at;
  }
  g.stroke();
}

function range(points, strip, least) {
  const values = points.map(([, value]) => strip.scale(value));
  const low = strip.low ?? Math.min(...values) - 0.2 * least, top = Math.max(...values, least === undefined ? strip.scale(strip.least) : low + least);
  return values.length ? [low, top + (top - low) * 0.06] : [0, 1];
}

function drawStrip(g, strip, {top, height, width}) {
  const gutter = 64, x = (at) => width - 10 - (head - at) / WINDOW * (width - 10 - gutter);
  g.fillStyle = colour("dim");
  g.fillText(`${t(strip.key)}, ${strip.unit()}`, gutter, top + 12);
  strip.lines.forEach((name, k) => {
    const points = samples.get(name).filter(([at]) => at > head - WINDOW);
    const [low, high] = range(points, strip, strip.spans?.[k]), y = (value) => top + height - 4 - (strip.scale(value) - low) / (high - low) * (height - 22);
    g.strokeStyle = g.fillStyle = colour(strip.ink[k]);
    g.lineWidth = 1.6;
    g.setLineDash(k ? [5, 3] : []);
    line(g, points, {x, y, step: strip.key === "flow" ? 5000 : strip.key === "arm" ? 1000 : 120});
    const last = points.findLast(([at]) => at <= head);
    if (last) g.fillText(num(strip.scale(last[1]), 1), 6, top + 16 + 16 * k + height / 3);
  });
  g.setLineDash([]);
  g.fillStyle = colour("line");
  g.fillRect(0, top + height, width, 1);
}

function draw() {
  const {g, width, height} = pen($("traces"));
  g.font = "13px system-ui, sans-serif";
  let top = 0;
  for (const strip of STRIPS) {
    drawStrip(g, strip, {top, height: strip.share * height, width});
    top += strip.share * height;
  }
  drawn++;
}

// Samples come in frames of half a second; the head glides after them so that the trace runs smoothly.
function frame(at) {
  if (!running) return;
  if (at - before >= 33) {
    head = head ? head + (newest - head) * (1 - Math.exp(-(at - before) / SMOOTH_MS)) : newest;
    before = at;
    draw();
  }
  requestAnimationFrame(frame);
}

export function run(on) {
  const start = on && !running;
  running = on;
  if (start) requestAnimationFrame(frame);
}

function wave(record) {
  const canvas = make("canvas"), label = t("waveform");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `${label}: ${num(kpa(Math.max(...record.v)), 0)}–${num(kpa(Math.min(...record.v.filter((v) => v !== null))), 0)} ${vacuumUnit()}`);
  requestAnimationFrame(() => {
    const {g, width, height} = pen(canvas);
    g.strokeStyle = colour("body");
    g.lineWidth = 1.4;
    g.beginPath();
    record.v.forEach((value, k) => value !== null && g.lineTo(k / (record.v.length - 1) * width, height - value / 52 * height));
    g.stroke();
  });
  return canvas;
}

const row = (cell, ...values) => make("tr", {}, ...values.map((value) => make(cell, {}, value)));
const head_ = (...keys) => make("thead", {}, row("th", ...keys.map((key) => t(key))));

function eventRow(event) {
  const cause = event.share >= 0.7 ? t(`causes.${event.cause}`) : t("causes.unknown");
  return row("td", moment(event.start), t(`kinds.${event.kind}`), `${num(event.air_l, 2)} L`, `${num(kpa(event.depth_kpa), 1)} ${vacuumUnit()}`, cause, event.wave ? wave(event.wave) : "–");
}

const nothing = (key) => make("tr", {}, make("td", {colSpan: 6}, t(key)));

const dayRow = (day) => row("td", day.day, num(day.milkings), num(day.slips), num(day.slips_per_100), num(day.fall_offs), `${num(kg(day.yield_kg))} ${massUnit()}`);

export async function show(stall) {
  const reply = await fetch(`/v1/stall/${stall}`).catch(() => null);
  if (!reply?.ok) return;
  const record = await reply.json();
  const events = record.events.length ? record.events.map(eventRow) : [nothing("noEvents")];
  const days = record.days.length ? record.days.map(dayRow) : [nothing("noDays")];
  $("events").replaceChildren(head_("when", "kind", "airL", "depth", "cause", "waveform"), make("tbody", {}, ...events));
  $("history").replaceChildren(head_("day", "milkings", "slips", "slips100", "fallOffs", "milk"), make("tbody", {}, ...days));
  const notes = record.conditions.map((c) => `${moment(c.start)} ${c.condition}: ${c.evidence}`);
  $("conditions").replaceChildren(...(notes.length ? notes : [t("noCondition")]).map((note) => make("li", {}, note)));
}
