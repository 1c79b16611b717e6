/* Spots on the chart: signs for exact places, hatched squares for zones, and one tab stop for all of them. */

import { chance, gradeWord, sign, squaresOf, where, whereSign } from "./chart-words.js";

/** The outer rings of a zone. */
function rings(geometry) {
  const polygons = geometry.type === "Polygon" ? [geometry.coordinates] : geometry.coordinates;
  return polygons.map((p) => p[0]);
}

export class Spots {
  /** choose(kind, id): called when a spot or a zone is pressed. */
  constructor(map, choose) {
    this.map = map;
    this.choose = choose;
    this.exact = new Map(); // id -> {feature, latlng, button}
    this.zones = new Map(); // zone id -> {id, spots, squares, layer, rings}
    this.chosen = null;
    this.pane = map.getPane("t-spots");
    this.renderer = L.svg({ pane: "t-zones", padding: 0.4 });
    this.pane.addEventListener("click", (event) => {
      const button = event.target.closest("button[data-id]");
      // A press without a pointer (detail 0) came from the keyboard: then the panel takes the focus.
      if (button && !map.dragging?.moved()) this.choose("spot", button.dataset.id, event.detail === 0);
    });
    map.getContainer().addEventListener("keydown", (event) => this.keys(event));
    map.on("zoom viewreset", () => this.settle());
  }

  show(features) {
    const held = document.activeElement?.dataset?.id;
    this.exact.clear();
    this.pane.replaceChildren();
    for (const zone of this.zones.values()) zone.layer.remove();
    this.zones.clear();
    for (const feature of features) {
      const p = feature.properties;
      if (!feature.geometry) continue;
      if (feature.geometry.type === "Point") this.addExact(feature);
      else {
        const id = String(p.zone ?? JSON.stringify(feature.geometry.coordinates[0]));
        if (this.zones.has(id)) this.zones.get(id).spots.push(feature);
        else this.zones.set(id, { id, spots: [feature], geometry: feature.geometry });
      }
    }
    for (const zone of this.zones.values()) this.addZone(zone);
    this.pane.classList.toggle("many", this.exact.size > 90);
    this.radius = this.exact.size > 90 ? 8 : 12;
    this.settle();
    this.rove(held && this.stop(held) ? held : null);
  }

  addExact(feature) {
    const p = feature.properties;
    const [lng, lat] = feature.geometry.coordinates;
    const button = document.createElement("button");
    button.type = "button";
    button.className = `spot-sign${p.sharing ? " few" : ""}`;
    button.dataset.id = String(feature.id);
    button.tabIndex = -1;
    button.setAttribute("aria-label", `${p.name}, ${where(p)}. ${gradeWord(p.grade)}. ${chance(p)}`);
    button.innerHTML = sign(whereSign(p), 26);
    this.pane.append(button);
    this.exact.set(String(feature.id), { id: String(feature.id), feature, latlng: L.latLng(lat, lng), button });
  }

  addZone(zone) {
    zone.rings = rings(zone.geometry);
    zone.squares = squaresOf(zone.geometry);
    zone.layer = L.geoJSON(zone.geometry, {
      pane: "t-zones",
      style: { renderer: this.renderer, className: "zone", weight: 1.5, smoothFactor: 0 },
    })
      .on("click", () => this.choose("zone", zone.id))
      .addTo(this.map);
    this.hatch();
    const n = zone.spots.length;
    zone.layer.eachLayer((layer) => {
      const path = layer.getElement();
      path.setAttribute("role", "button");
      path.setAttribute("tabindex", "-1");
      path.dataset.id = zone.id;
      const said = n === 1 ? zone.spots[0].properties.name : `${n} spots`;
      path.setAttribute("aria-label", `${said}, ${where({ precision: "area" }, zone.squares)}`);
      zone.path = path;
    });
  }

  /** The hatch, once, in the zones' own SVG. */
  hatch() {
    const svg = this.renderer._container;
    if (!svg || svg.querySelector("#zone-hatch")) return;
    const defs = document.createElementNS("http://www.w3.org/2000/svg", "defs");
    defs.innerHTML =
      '<pattern id="zone-hatch" width="10" height="10" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">' +
      '<path class="zone-wash" d="M0 0h10v10H0z"/><path class="zone-line" d="M5 0v10"/></pattern>';
    svg.prepend(defs);
  }

  /** Put the signs where their places now lie. */
  settle() {
    for (const { latlng, button } of this.exact.values())
      L.DomUtil.setPosition(button, this.map.latLngToLayerPoint(latlng));
  }

  /** Whether a zone, or a spot in it, is the chosen one. */
  holds(zone) {
    return this.chosen !== null && (zone.id === this.chosen || zone.spots.some((s) => String(s.id) === this.chosen));
  }

  mark(id) {
    this.chosen = id === null ? null : String(id);
    for (const { button, id: own } of this.exact.values()) {
      const on = own === this.chosen;
      button.classList.toggle("chosen", on);
      button.setAttribute("aria-pressed", on ? "true" : "false");
    }
    for (const zone of this.zones.values()) {
      const on = this.holds(zone);
      zone.path?.classList.toggle("chosen", on);
      zone.path?.setAttribute("aria-pressed", on ? "true" : "false");
      if (on) zone.layer.bringToFront();
    }
  }

  /* One tab stop; arrow keys go to the nearest sign that way. */

  stops() {
    const view = this.map.getBounds();
    const found = [];
    for (const { id, latlng, button } of this.exact.values())
      if (view.contains(latlng)) found.push({ id, element: button, at: this.map.latLngToContainerPoint(latlng) });
    for (const { id, layer, path } of this.zones.values()) {
      const bounds = layer.getBounds();
      if (path && view.intersects(bounds))
        found.push({ id, element: path, at: this.map.latLngToContainerPoint(bounds.getNorthWest()) });
    }
    return found;
  }

  stop(id) {
    return this.exact.get(id)?.button ?? this.zones.get(id)?.path;
  }

  /** Make one sign the tab stop: the given one, else the chosen one, else the first in view. */
  rove(id = null, focus = false) {
    const all = this.stops();
    const current = all.find((s) => s.id === (id ?? this.chosen)) ?? all.sort((a, b) => a.at.x - b.at.x)[0];
    for (const { button } of this.exact.values()) button.tabIndex = -1;
    for (const { path } of this.zones.values()) path?.setAttribute("tabindex", "-1");
    if (!current) return;
    current.element.setAttribute("tabindex", "0");
    if (focus) current.element.focus({ preventScroll: true });
  }

  keys(event) {
    const from = event.target.closest?.("[data-id]");
    if (!from) return;
    if (event.key === "Enter" || event.key === " ") {
      if (this.zones.has(from.dataset.id)) {
        event.preventDefault();
        event.stopPropagation();
        this.choose("zone", from.dataset.id, true);
      }
      return;
    }
    const turn = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowDown: [0, 1], ArrowUp: [0, -1] }[event.key];
    if (!turn) return;
    event.preventDefault();
    event.stopPropagation();
    const all = this.stops();
    const here = all.find((s) => s.id === from.dataset.id);
    if (!here) return;
    let best = null;
    for (const other of all) {
      if (other === here) continue;
      const along = (other.at.x - here.at.x) * turn[0] + (other.at.y - here.at.y) * turn[1];
      const aside = Math.abs((other.at.x - here.at.x) * turn[1]) + Math.abs((other.at.y - here.at.y) * turn[0]);
      if (along <= 0) continue;
      const cost = along + 2 * aside;
      if (!best || cost < best.cost) best = { other, cost };
    }
    if (best) this.rove(best.other.id, true);
  }
}
