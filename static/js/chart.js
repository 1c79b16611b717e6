/* The chart page: filters, chart, list and panel kept to one state. */

import { byKind, features, fitWater, inside, layWater, newMap } from "./chart-base.js";
import { border, scale, zoomButtons } from "./chart-furniture.js";
import { Labels } from "./chart-labels.js";
import { List } from "./chart-list.js";
import { Panel } from "./chart-panel.js";
import { Spots } from "./chart-spots.js";
import { knowSpecies, sayWhen, sayWhichSpecies, when } from "./chart-words.js";

const config = JSON.parse(document.getElementById("chart-config").textContent);
const page = document.querySelector(".chart-page");
const frame = page.querySelector(".chart-frame");
const host = page.querySelector(".chart-map");
const told = page.querySelector("[data-told]");
const heldBack = page.querySelector("[data-held]");
const count = page.querySelectorAll("[data-count]");
const forms = page.querySelectorAll("form.chart-filters");
const NAMES = ["species", "grade", "season"];

const state = { view: "chart", spot: null, zone: null };
let spotsNow = [];
let asked = null;
let laid; // settled when the chart has a place and a scale, or has failed
const ready = new Promise((resolve) => (laid = resolve));

const map = newMap(host);
const spots = new Spots(map, choose);
const feet = config.length_unit === "ft";
const labels = new Labels(map, spots, furniture, feet);
const panel = new Panel(page.querySelector(".chart-panel"), { choose, close });
const list = new List(page.querySelector(".chart-list table"), choose);
knowSpecies(config.species ?? {});

/** Where the title, the buttons, the scale and the key lie over the chart, in its pixels. */
function furniture() {
  const origin = host.getBoundingClientRect();
  return [...page.querySelectorAll("[data-over-chart]")]
    .map((e) => e.getBoundingClientRect())
    .filter((r) => r.width)
    .map((r) => ({ x: r.x - origin.x, y: r.y - origin.y, w: r.width, h: r.height }));
}

/* Filters: two forms with the same names, one for wide pages and one for phones. */

function read(form) {
  const data = new FormData(form);
  for (const name of NAMES) state[name] = data.get(name) ?? "";
}

function write() {
  for (const form of forms)
    for (const name of NAMES) {
      const field = form.elements[name];
      if (field) field.value = state[name] ?? "";
    }
}

function query() {
  const q = new URLSearchParams({ water: config.water });
  for (const name of NAMES) if (state[name]) q.set(name, state[name]);
  return q;
}

function address() {
  const q = query();
  if (state.view === "list") q.set("view", "list");
  if (state.spot) q.set("spot", state.spot);
  history.replaceState(null, "", `?${q}`);
}

for (const form of forms) {
  form.addEventListener("change", () => {
    read(form);
    write();
    load();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    read(form);
    load();
  });
}

/* Spots: asked for as they may be shown; the chart is never fitted to them. */

async function load() {
  asked?.abort();
  asked = new AbortController();
  address();
  page.setAttribute("aria-busy", "true");
  try {
    const q = query();
    q.set("view", "chart");
    const found = await features(`${config.spots_url ?? "/api/spots/"}?${q}`, asked.signal);
    await ready;
    spotsNow = found;
    sayWhichSpecies(!state.species);
    sayWhen(state.season);
    show();
  } catch (error) {
    if (error.name !== "AbortError") tell("The spots did not load. Try again in a moment.");
  } finally {
    page.removeAttribute("aria-busy");
  }
}

function show() {
  spots.show(spotsNow);
  list.show(spotsNow);
  const n = spotsNow.length;
  for (const element of count) element.textContent = n === 1 ? "1 spot fits" : `${n} spots fit`;
  for (const element of page.querySelectorAll("[data-when]")) element.textContent = when();
  tell(n ? "" : "No spot here fits. Choose a lower grade, another month or another species.");
  tellHeld(spotsNow.filter((f) => f.properties.held_back).length);
  const held = state.spot && spotsNow.find((f) => String(f.id) === state.spot);
  if (held) choose("spot", state.spot);
  else if (state.zone && spots.zones.has(state.zone)) choose("zone", state.zone);
  else close();
}

/** The club's daily cap on positions that are new to the reader. */
function tellHeld(n) {
  const words = n === 1 ? "1 position is held back until tomorrow (00:00 UTC) and shown as its zone." : `${n} positions are held back until tomorrow (00:00 UTC) and shown as their zones.`;
  heldBack.textContent = n ? `${words} ${config.why_held}` : "";
  heldBack.hidden = !n;
}

function tell(text) {
  told.textContent = text;
  told.hidden = !text;
}

function choose(kind, id, byKeyboard = false) {
  state.spot = kind === "spot" ? id : null;
  state.zone = kind === "zone" ? id : null;
  spots.mark(id);
  spots.rove(id);
  list.mark(kind === "spot" ? id : null);
  if (kind === "zone") {
    const zone = spots.zones.get(id);
    if (zone.spots.length === 1) return choose("spot", String(zone.spots[0].id), byKeyboard);
    panel.zone(zone);
  } else {
    const feature = spotsNow.find((f) => String(f.id) === id);
    if (!feature) return close();
    const q = new URLSearchParams();
    const species = state.species || feature.properties.species;
    if (species) q.set("species", species);
    if (state.season) q.set("season", state.season);
    panel.spot(feature, `/spots/${encodeURIComponent(id)}/panel/?${q}`).then(reveal);
  }
  if (byKeyboard) panel.focus();
  reveal();
  labels.draw();
  address();
}

/** Bring the chosen sign into view; on a phone, above the sheet that covers the lower chart. */
function reveal() {
  const own = spots.exact.get(state.spot);
  if (!own || state.view === "list") return;
  const at = map.latLngToContainerPoint(own.latlng);
  const chart = host.getBoundingClientRect();
  const lying = getComputedStyle(panel.aside).position === "fixed";
  const bar = document.querySelector(".thumb-bar").offsetHeight;
  // Where the sheet will have come to rest: it may still be sliding.
  const floor = lying ? innerHeight - bar - panel.aside.offsetHeight - chart.top : chart.height;
  if (at.x < 30 || at.x > chart.width - 30 || at.y < 30 || at.y > floor - 40)
    map.panBy([at.x - chart.width / 2, at.y - floor / 2], { animate: false });
}

function close() {
  const from = state.spot ?? state.zone;
  const held = panel.aside.contains(document.activeElement);
  state.spot = state.zone = null;
  spots.mark(null);
  list.mark(null);
  panel.clear(spotsNow);
  labels.draw();
  if (held && from) {
    if (state.view === "list") list.table.querySelector(`[data-spot="${CSS.escape(from)}"]`)?.focus();
    else spots.rove(from, true);
  }
  address();
}

/* Chart or list: the same spots. */

function view(name) {
  state.view = name;
  page.dataset.view = name;
  for (const link of page.querySelectorAll("[data-view-link]")) {
    if (link.dataset.viewLink === name) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
  address();
}

for (const link of page.querySelectorAll("[data-view-link]"))
  link.addEventListener("click", (event) => {
    event.preventDefault();
    view(link.dataset.viewLink);
  });

/* The key stands in the corner where it hides the least water; where it would hide much, it starts shut. */
const key = page.querySelector(".chart-key");
const narrow = matchMedia("(max-width: 960px)").matches;

function setKey(outline) {
  if (narrow) {
    key.open = false;
    return;
  }
  const origin = host.getBoundingClientRect();
  const hidden = ["", "at-bl", "at-tr"].map((corner) => {
    key.className = `chart-key ${corner}`;
    const box = key.getBoundingClientRect();
    let wet = 0;
    for (let i = 0; i < 100; i++) {
      const at = [box.x - origin.x + (box.width * ((i % 10) + 0.5)) / 10, box.y - origin.y + (box.height * (Math.floor(i / 10) + 0.5)) / 10];
      const { lng, lat } = map.containerPointToLatLng(at);
      if (inside(outline, lng, lat)) wet++;
    }
    return { corner, wet };
  });
  const best = hidden.sort((a, b) => a.wet - b.wet)[0];
  key.className = `chart-key ${best.wet > 6 ? "" : best.corner}`;
  key.open = best.wet <= 6;
}

async function start() {
  const asks = new URLSearchParams(location.search);
  read([...forms].find((f) => f.offsetParent) ?? forms[0]);
  for (const name of NAMES) if (asks.has(name)) state[name] = asks.get(name);
  state.spot = asks.get("spot");
  write();
  view(asks.get("view") === "list" ? "list" : "chart");
  const water = features(config.chart_url ?? `/api/waters/${config.water}/chart/`);
  const loading = load();
  try {
    const drawn = await water;
    const bounds = layWater(map, drawn) ?? L.geoJSON(drawn).getBounds();
    const whole = () => fitWater(map, bounds, [26, 26]);
    whole();
    if (narrow) map.setView(bounds.getCenter(), map.getZoom() + 1, { animate: false });
    setKey(byKind(drawn, "outline"));
    key.addEventListener("toggle", () => labels.draw());
    const points = drawn.filter((f) => f.geometry?.type === "Point");
    const named = ["no_wake", "closure"].flatMap((kind) => byKind(drawn, kind)).filter((f) => f.properties.text && f.geometry.type !== "Point");
    for (const f of named) {
      const at = L.geoJSON(f).getBounds().getCenter();
      points.push({ geometry: { coordinates: [at.lng, at.lat] }, properties: { kind: "rule", text: f.properties.text } });
    }
    labels.setPoints(points);
    border(map, frame);
    scale(map, page.querySelector(".chart-scale"), feet);
    zoomButtons(map, page.querySelector(".chart-zoom"), whole);
  } catch {
    tell("The chart of this water did not load. The list still works.");
    map.setView([0, 0], 2);
  }
  laid();
  await loading;
  spots.hatch();
  spots.settle();
  labels.draw();
  page.classList.add("ready");
  performance.mark?.("chart-ready");
}

start();
