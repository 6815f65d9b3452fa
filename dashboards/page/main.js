// The page: one stream in, two views out. Staleness is the age of the last message, whatever the socket says.
import * as drum from "./lanes.js";
import {$, age, choice, clock, kg, kpa, loadWords, make, massUnit, num, t, vacuumUnit} from "./words.js";

const STALE_MS = 3000, REOPEN_MS = 8000;
let source = null, heard = -1e9, alerts = [], day = null, facts = null, stall = 0, told = new Set(), opened = 0;
let close = null, speaking = null;
const rows = new Map();

function connect() {
  source?.close();
  opened = performance.now();
  source = new EventSource(stall ? `/v1/live?stall=${stall}` : "/v1/live");
  const on = (name, take) => source.addEventListener(name, async (event) => { await speaking; take(JSON.parse(event.data)); });
  on("snapshot", (all) => {
    ({facts, alerts, day} = all);
    if (stall > facts.stalls) go(0);
    heard = all.age_s === null ? -1e9 : performance.now() - 1000 * all.age_s;
    drum.begin(all.lanes, facts);
    showAlerts();
    showDay();
    layOutSoon();
  });
  on("tick", (tick) => { heard = performance.now(); drum.add(tick); beat(); paint(); });
  on("alerts", (list) => { alerts = list; showAlerts(); });
  on("day", (figures) => { day = figures; showDay(); });
  on("trace", (trace) => close?.add(trace));
}

function layOut() {
  $("parlor").textContent = facts.parlor;
  $("note").hidden = !facts.note;
  set($("note"), t(facts.note));
  drum.layOutStalls(go);
  const pitch = Math.max(9, ($("drum").clientHeight - 20) / facts.stalls);
  $("drum").style.setProperty("--pitch", `${innerWidth < 960 ? 20 : pitch}px`);
  const numbers = Array.from({length: facts.stalls}, (_, i) => make("option", {value: `${i + 1}`}, `${i + 1}`));
  $("goto").replaceChildren(make("option", {value: ""}, "–"), ...numbers);
  drum.labelStalls(called());
  paint();
}

function paint() {
  if (!facts || stall) return;
  const minutes = drum.draw();
  const title = t("lanes", {minutes});
  if ($("record-h").textContent !== title) $("record-h").textContent = title;
}

// Old data must never pass for live, so this runs on its own clock and asks only when something last came.
function beat() {
  const silent = performance.now() - heard, old = silent > STALE_MS, never = heard < 0;
  document.body.classList.toggle("old", old && facts !== null);
  $("pulse").classList.toggle("on", !old);
  $("pulse").textContent = facts === null ? t("connecting") : never ? t("noData") : old ? clock(drum.newest()) : `${t("live")} ${clock(drum.newest())}`;
  const banner = $("stale");
  if (banner.hidden === (old && facts !== null)) banner.hidden = !banner.hidden;
  if (!banner.hidden) {
    const cut = source?.readyState !== EventSource.OPEN;
    const text = never ? t(cut ? "unreached" : "never") : t("stale", {s: Math.round(silent / 1000)});
    if (banner.textContent !== text) banner.textContent = text;
  }
  if (old && !document.hidden && performance.now() - opened > REOPEN_MS) connect();
}

function showAlerts() {
  const shown = alerts.filter((alert) => alert.standing === "shown"), waiting = alerts.filter((alert) => alert.standing !== "shown");
  fill($("alerts"), shown);
  fill($("waiting"), waiting);
  const known = new Set(alerts.map((alert) => alert.alert_id));
  for (const id of rows.keys()) if (!known.has(id)) rows.delete(id);
  $("waits").hidden = !waiting.length;
  $("quiet").hidden = alerts.length > 0;
  drum.labelStalls(called());
  say(shown);
  document.title = shown.length ? `(${shown.length}) quietclaw` : "quietclaw";
}

// The stalls that call, with how urgently.
const called = () => new Map(alerts.filter((alert) => alert.standing === "shown").flatMap((alert) => alert.stalls.map((number) => [number, alert.severity])));

const place = (alert) => (alert.stall ? `${t("stall")} ${alert.stall}` : t("parlor"));

// A screen reader hears each new call once, not every change of its figures.
function say(shown) {
  const fresh = shown.filter((alert) => !told.has(alert.alert_id));
  told = new Set(shown.map((alert) => alert.alert_id));
  if (fresh.length) $("said").textContent = fresh.map((alert) => `${place(alert)}: ${t(`alerts.${alert.kind}.what`)}. ${t(`alerts.${alert.kind}.do`)}`).join(" ");
}

function fill(list, wanted) {
  const nodes = wanted.map((alert) => row(alert));
  nodes.forEach((node, i) => list.children[i] !== node && list.insertBefore(node, list.children[i] ?? null));
  while (list.childElementCount > nodes.length) list.lastChild.remove();
}

function row(alert) {
  const node = rows.get(alert.alert_id) ?? newRow(alert);
  const {what, fig, meta, button} = node.parts, value = alert.kind === "plant_low" ? kpa(alert.value ?? 0) : alert.value ?? 0;
  node.className = `alert ${alert.severity}${alert.taken_by ? " taken" : ""}`;
  const figure = t(`alerts.${alert.kind}.figure`, {value: num(value, alert.kind === "slipping" || alert.kind === "many" ? 0 : 1)});
  set(fig, (alert.kind === "plant_low" ? figure.replace("kPa", vacuumUnit()) : figure) + (alert.kind === "many" ? `: ${alert.stalls.slice(0, 8).join(", ")}${alert.stalls.length > 8 ? " …" : ""}` : alert.detail ? ` ${alert.detail}` : ""));
  set(what, t(`alerts.${alert.kind}.what`));
  node.since = alert.since;
  node.taken = alert.taken_by;
  button.hidden = Boolean(alert.taken_by);
  ages(node, meta);
  return node;
}

const set = (node, text) => { if (node.textContent !== text) node.textContent = text; };

function ages(node, meta) {
  const since = `${t("since", {time: clock(node.since)})}, ${age(drum.newest() - node.since)}`;
  set(meta, node.taken ? `${since} · ${t("takenBy", {name: node.taken})}` : since);
}

function newRow(alert) {
  const what = make("span"), fig = make("span", {className: "fig"}), meta = make("span");
  const button = make("button", {type: "button"}, t("take"));
  button.setAttribute("aria-label", `${t("take")}: ${place(alert)}, ${t(`alerts.${alert.kind}.what`)}`);
  button.onclick = () => take(alert.alert_id);
  const number = alert.stall ? make("a", {className: "num", href: `#stall-${alert.stall}`, ariaLabel: place(alert)}, `${alert.stall}`) : make("span", {className: "num", ariaHidden: "true"}, "∗");
  const severity = make("span", {className: "unseen"}, `${t(`severity.${alert.severity}`)}: `);
  const node = make("li", {}, number, make("div", {},
    make("p", {className: "what"}, severity, what, " ", fig),
    make("p", {className: "do"}, t(`alerts.${alert.kind}.do`)),
    make("p", {className: "meta"}, meta, button)));
  node.dataset.alert = alert.alert_id;
  node.parts = {what, fig, meta, button};
  rows.set(alert.alert_id, node);
  return node;
}

async function take(id) {
  const name = choice.get("name", "") || await ask();
  if (!name) return;
  const reply = await fetch(`/v1/alert/${encodeURIComponent(id)}/acknowledge`, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify({name})}).catch((error) => ({ok: false, status: 0, json: () => ({error: error.message})}));
  if (!reply.ok) $("said").textContent = reply.status === 410 ? t("gone") : t("refused", {why: (await reply.json()).error});
}

function ask() {
  const dialog = $("who");
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.onclose = () => {
      const name = dialog.returnValue === "save" ? $("name").value.trim() : "";
      if (name) choice.set("name", name);
      resolve(name);
    };
  });
}

const FIGURES = [
  ["milkings", (v) => num(v), "milkings"],
  ["milk_kg", (v) => `${num(kg(v))} ${massUnit()}`, "milk"],
  ["slips_per_100", (v) => num(v), "slips100"],
  ["fall_offs", (v) => num(v), "fallOffs"],
  ["unsupported_ratio", (v) => `${num(100 * v, 1)} %`, "unsupportedShare"],
];

function showDay() {
  $("day").hidden = day === null;
  if (day === null) return;
  $("day-note").textContent = day.days ? t("todayNote", {days: day.days}) : t("todayAlone");
  $("figures").replaceChildren(...FIGURES.map(([key, text, label]) => {
    const value = day.today[key], usual = day.usual[key];
    const cell = make("dd", {}, value == null ? "–" : text(value));
    if (usual != null) cell.append(make("small", {}, t("usual", {value: text(usual)})));
    return make("div", {}, make("dt", {}, t(label)), cell);
  }));
}

const go = (number) => { location.hash = number ? `stall-${number}` : ""; };

const wanted = () => Number(/^#stall-(\d+)$/.exec(location.hash)?.[1] ?? 0);

async function route() {
  const before = stall;
  stall = wanted();
  $("all").hidden = stall > 0;
  $("one").hidden = stall === 0;
  if (stall && !close) close = await import("./stall.js");
  close?.run(stall > 0);
  if (stall) {
    close.clear();
    $("one-h").textContent = `${t("stall")} ${stall}`;
    $("traces").setAttribute("aria-label", `${t("vacuum")}, ${t("air")}, ${t("flow")}, ${t("arm")}`);
    close.show(stall);
    $("one-h").focus();
  }
  if (before !== stall) connect();
  layOutSoon();
}

const layOutSoon = () => requestAnimationFrame(() => facts && layOut());

function look() {
  const wanted = choice.get("look", "auto");
  const light = wanted === "light" || (wanted === "auto" && matchMedia("(prefers-color-scheme: light)").matches);
  document.documentElement.classList.toggle("light", light);
  drum.legend();
  layOutSoon();
}

function choose(id, then) {
  $(id).value = choice.get(id, $(id).options[0].value);
  $(id).onchange = () => { choice.set(id, $(id).value); then(); };
}

async function main() {
  stall = wanted();
  speaking = loadWords();
  connect();
  await speaking;
  for (let k = 0; t(`cautions.${k}`); k++) $("cautions").append(make("li", {}, t(`cautions.${k}`)));
  choose("units", () => { showAlerts(); showDay(); layOutSoon(); if (stall) close.show(stall); });
  choose("look", look);
  $("goto").onchange = () => go(Number($("goto").value));
  matchMedia("(prefers-color-scheme: light)").addEventListener("change", look);
  addEventListener("resize", layOutSoon);
  addEventListener("hashchange", route);
  document.addEventListener("visibilitychange", () => (document.hidden ? source?.close() : connect()));
  setInterval(beat, 500);
  setInterval(() => {
    for (const node of rows.values()) ages(node, node.parts.meta);
    if (stall) $("one-state").textContent = t(`state.${drum.state(stall)}`);
    else drum.labelStalls(called());
  }, 1000);
  setInterval(() => stall && close.show(stall), 10000);
  look();
  route();
}

main();
