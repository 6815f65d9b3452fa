// Words, numbers and units. Every word stands in texts.<language>.json; a translation is a copy of that file.
const LANGUAGES = ["en"];
const US = {kpa: 1 / 3.386389, kg: 2.2046226};

export const choice = {
  get(key, other) { try { return localStorage.getItem(key) ?? other; } catch { return other; } },
  set(key, value) { try { localStorage.setItem(key, value); } catch { /* a browser that keeps nothing */ } },
};

let words = {};

export async function loadWords() {
  const wanted = navigator.languages.map((tag) => tag.slice(0, 2)).find((tag) => LANGUAGES.includes(tag)) ?? "en";
  words = await (await fetch(`/page/texts.${wanted}.json`)).json();
  document.documentElement.lang = wanted;
  for (const node of document.querySelectorAll("[data-t]")) node.textContent = t(node.dataset.t);
}

// t("alerts.leak.what", {value: 3}): the words of a key with its values filled in.
export function t(key, values = {}) {
  const text = key.split(".").reduce((at, part) => at?.[part], words);
  return typeof text === "string" ? text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "") : text ?? "";
}

const us = () => choice.get("units", "si") === "us";
export const kpa = (value) => (us() ? value * US.kpa : value);
export const kg = (value) => (us() ? value * US.kg : value);
export const vacuumUnit = () => (us() ? "inHg" : "kPa");
export const massUnit = () => (us() ? "lb" : "kg");

export function num(value, digits = 0) {
  return value == null ? "–" : value.toLocaleString(document.documentElement.lang, {minimumFractionDigits: digits, maximumFractionDigits: digits});
}

export const clock = (ms) => new Date(ms).toLocaleTimeString(document.documentElement.lang, {hour12: false});
export const moment = (ms) => new Date(ms).toLocaleString(document.documentElement.lang, {month: "short", day: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false});

export function age(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  return s < 100 ? t("ago.s", {n: s}) : s < 6000 ? t("ago.min", {n: Math.round(s / 60)}) : t("ago.h", {n: num(s / 3600, 1)});
}

// make("li", {className: "x"}, child, "text"): an element with its properties and children.
export function make(tag, properties = {}, ...children) {
  const node = Object.assign(document.createElement(tag), properties);
  node.append(...children);
  return node;
}

export const $ = (id) => document.getElementById(id);
export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// A canvas as large as it is shown, sharp on any screen; gives its pen and its size in CSS pixels.
export function pen(canvas) {
  const {width, height} = canvas.getBoundingClientRect(), ratio = Math.min(2, devicePixelRatio || 1);
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  const g = canvas.getContext("2d");
  g.scale(ratio, ratio);
  return {g, width, height};
}
