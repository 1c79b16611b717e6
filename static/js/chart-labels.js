/* The words on the chart: soundings, names, spots. Placed afresh whenever the chart comes to rest. */

import { Taken, beside, corner, place } from "./chart-place.js";
import { GRADE_RANK, bar, escape, hectares, ofWhat, sign } from "./chart-words.js";

const FONTS = {
  name: '600 16px "Source Serif 4"',
  land: '600 14px "Source Serif 4"',
  water: 'italic 400 17px "Source Serif 4"',
  small: '600 14px "Source Sans 3"',
  plain: '400 14px "Source Sans 3"',
  sounding: 'italic 400 13px "Source Sans 3"',
};

const pen = document.createElement("canvas").getContext("2d");
const widths = new Map();

function width(text, font) {
  const key = font + text;
  let w = widths.get(key);
  if (w === undefined) {
    pen.font = FONTS[font];
    w = Math.ceil(pen.measureText(text).width * (font === "water" ? 1.06 : 1));
    widths.set(key, w);
  }
  return w;
}

/** Depth as charts write it: whole metres, and tenths as a small figure below; deep ones and feet whole. */
function sounding(depth, feet) {
  if (feet) return [String(Math.round(depth / 0.3048)), ""];
  const tenths = Math.round(depth * 10);
  const whole = Math.floor(tenths / 10);
  if (depth >= 15 || tenths % 10 === 0) return [String(Math.round(depth)), ""];
  return [String(whole), String(tenths % 10)];
}

/** The box round some points. */
function boxOf(points) {
  const x = Math.min(...points.map((p) => p.x));
  const y = Math.min(...points.map((p) => p.y));
  return { x, y, w: Math.max(...points.map((p) => p.x)) - x, h: Math.max(...points.map((p) => p.y)) - y };
}

function touches(a, b) {
  return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
}

/** What else a spot's label says: that it is left alone, to whom it is shown, or that it is paused. */
function aside(p) {
  return [p.sharing, p.rest_until ? "resting" : p.paused && !p.sharing ? "paused" : ""].filter(Boolean).join(", ");
}

/** The second line of a label: best grade, chance with its interval, of what, and a word. */
function doubt(p) {
  const word = aside(p);
  const said = word ? `<b class="${p.sharing ? "restricted" : ""}">${word}</b>` : "";
  const line = `${p.grade ? sign(p.grade, 16) : ""}${bar(p)}${escape(ofWhat(p))}${said ? ` ${said}` : ""}`;
  return line && `<span class="l-doubt">${line}</span>`;
}

/** How wide that line is. */
function doubtWidth(p) {
  const texts = [[ofWhat(p), "plain"], [aside(p), "small"]].filter(([text]) => text);
  const parts = [p.grade ? 16 : 0, p.probability == null ? 0 : 46, ...texts.map(([text, font]) => width(text, font))];
  return parts.filter(Boolean).reduce((sum, w) => sum + w + 4, 6);
}

export class Labels {
  /** furniture(): boxes in container pixels that labels keep clear of. feet: soundings in feet, not metres. */
  constructor(map, spots, furniture, feet = false) {
    this.feet = feet;
    this.map = map;
    this.spots = spots;
    this.furniture = furniture;
    this.points = [];
    this.pane = map.getPane("t-labels");
    this.pane.setAttribute("aria-hidden", "true"); // signs and list say the same
    this.pane.addEventListener("click", (event) => {
      const label = event.target.closest("[data-choose]");
      if (label && !map.dragging?.moved()) spots.choose(label.dataset.kind, label.dataset.choose);
    });
    map.on("zoomstart", () => this.pane.classList.add("away"));
    map.on("moveend zoomend resize", () => this.draw());
    document.fonts?.ready.then(() => {
      widths.clear();
      this.draw();
    });
  }

  /** The water's own points: soundings, names, ramps, hazards. */
  setPoints(features) {
    this.points = features;
  }

  /** How big a spot's label is, by tier. */
  spotForms(p) {
    const name = width(p.name, "name") + 4;
    return { full: [Math.max(name, doubtWidth(p)), 38], name: [name, 20] };
  }

  spotItems() {
    const { map, spots } = this;
    const out = [];
    for (const { id, feature, latlng } of spots.exact.values()) {
      const at = map.latLngToLayerPoint(latlng);
      const forms = this.spotForms(feature.properties);
      const r = spots.chosen === id ? 18 : feature.properties.sharing ? 17 : spots.radius;
      out.push({
        id,
        kind: "spot",
        feature,
        rank: this.rank(feature.properties, id),
        must: spots.chosen === id,
        sign: { x: at.x - r, y: at.y - r, w: 2 * r, h: 2 * r, owner: id },
        tiers: feature.properties.name
          ? Object.entries(forms).map(([name, [w, h]]) => ({ name, boxes: () => beside(at.x, at.y, r, w, h) }))
          : [],
      });
    }
    return out;
  }

  zoneItems(view) {
    const { map, spots } = this;
    const out = [];
    const avoid = new Taken(view);
    for (const zone of spots.zones.values()) {
      const rings = zone.rings.map((ring) => ring.map(([lng, lat]) => map.latLngToLayerPoint([lat, lng])));
      for (const ring of rings) avoid.add({ ...boxOf(ring), owner: zone.id });
      const bounds = boxOf(rings.flat());
      const one = zone.spots.length === 1 ? zone.spots[0].properties : null;
      const name = one ? one.name : `${zone.spots.length} spots`;
      const [within, these] = zone.squares === 1 ? ["within", "this square"] : ["within", "these squares"];
      const second = one ? doubtWidth(one) : width(`${hectares(zone.spots[0].properties.zone_ha)} of water`, "plain");
      const sizes = {
        full: [Math.max(width(name, "name"), width(`${within} ${these}`, "small"), second) + 8, 58],
        stacked: [Math.max(width(name, "name"), width(these, "small")) + 8, 58],
        name: [width(name, "name") + 8, 22],
      };
      const best = zone.spots.reduce((a, b) => (this.rank(a.properties) >= this.rank(b.properties) ? a : b));
      out.push({
        id: zone.id,
        kind: "zone",
        zone,
        one,
        name,
        words: [within, these],
        avoid,
        rank: spots.holds(zone) ? 1000 : this.rank(best.properties) + 2, // a zone without its words could be misread
        must: spots.holds(zone),
        tiers: Object.entries(sizes).map(([tier, [tw, th]]) => ({
          name: tier,
          boxes: () => corner(rings, bounds, view, tw, th),
        })),
      });
    }
    return out;
  }

  rank(p, id) {
    if (id !== undefined && this.spots.chosen === id) return 1000;
    return 10 * (GRADE_RANK[p.grade] ?? 0) + (p.probability ?? 0) + (p.sharing ? 5 : 0);
  }

  pointItems() {
    const { map } = this;
    const out = [];
    for (const [index, feature] of this.points.entries()) {
      const p = feature.properties;
      const [lng, lat] = feature.geometry.coordinates;
      const at = map.latLngToLayerPoint([lat, lng]);
      const make = (rank, boxes, html) => out.push({ id: `p${index}`, rank, html, tiers: [{ name: "full", boxes: () => boxes }] });
      const centred = (w, h) => [{ x: at.x - w / 2, y: at.y - h / 2, w, h, side: "middle" }];
      if (p.kind === "sounding") {
        const [whole, tenth] = sounding(p.depth_m, this.feet);
        const text = `${whole}${tenth ? `<sub>${tenth}</sub>` : ""}`;
        make(-10, centred(width(whole + tenth, "sounding") + 12, 22), `<span class="l-sounding">${text}</span>`);
      } else if (p.kind === "name") {
        const font = p.of === "water" ? "water" : "land";
        make(-2, centred(width(p.text, font) + 6, 22), `<span class="l-${font}">${escape(p.text)}</span>`);
      } else if (p.kind === "ramp" || p.kind === "hazard") {
        const w = 20 + width(p.text ?? "", "plain") + 6;
        const boxes = [
          { x: at.x - 9, y: at.y - 10, w, h: 20, side: "right" },
          { x: at.x + 9 - w, y: at.y - 10, w, h: 20, side: "left" },
        ];
        const html = `<span class="l-point">${sign(p.kind, 18)}<span>${escape(p.text ?? "")}</span></span>`;
        out.push({
          id: `p${index}`,
          rank: p.kind === "ramp" ? -1 : -3,
          html,
          tiers: [
            { name: "full", boxes: () => boxes },
            { name: "sign", boxes: () => [{ x: at.x - 9, y: at.y - 10, w: 18, h: 20, side: "right" }] },
          ],
        });
      } else if (p.kind === "rule") {
        make(-1, centred(width(p.text, "small") + 6, 20), `<span class="l-rule">${escape(p.text)}</span>`);
      }
    }
    return out;
  }

  draw() {
    const { map, spots } = this;
    const origin = map.containerPointToLayerPoint([0, 0]);
    const size = map.getSize();
    if (!size.x || !size.y) return;
    const view = { x: origin.x + 3, y: origin.y + 3, w: size.x - 6, h: size.y - 6 };
    const taken = new Taken(view);
    for (const box of this.furniture()) taken.add({ ...box, x: box.x + origin.x, y: box.y + origin.y, owner: "furniture" });
    const own = [...this.spotItems(), ...this.zoneItems(view)].sort((a, b) => b.rank - a.rank);
    const seen = own.filter((i) => !i.sign || touches(i.sign, view));
    for (const item of seen) if (item.sign) taken.add(item.sign);
    const others = this.pointItems().sort((a, b) => b.rank - a.rank);
    const placed = place([...seen, ...others], taken, view);
    const html = [];
    for (const item of [...others, ...seen]) {
      const at = placed.get(item.id);
      if (at) html.push(this.html(item, at));
    }
    this.pane.innerHTML = html.join("");
    let n = 0;
    for (const item of [...others, ...seen]) {
      const at = placed.get(item.id);
      if (at) L.DomUtil.setPosition(this.pane.children[n++], L.point(at.box.x, at.box.y));
    }
    this.fit(placed, [...others, ...seen]);
    this.pane.classList.remove("away");
  }

  /** Labels are set to the box they were given: left-hand ones end at the sign. */
  fit(placed, items) {
    let n = 0;
    for (const item of items) {
      const at = placed.get(item.id);
      if (!at) continue;
      const element = this.pane.children[n++];
      element.style.width = `${at.box.w}px`;
    }
  }

  html(item, { tier, box }) {
    const side = `at-${box.side}`;
    if (item.html) return `<div class="c-label ${side} tier-${tier}">${item.html}</div>`;
    if (item.kind === "spot") {
      const p = item.feature.properties;
      const few = p.sharing ? " restricted" : "";
      const chosen = item.must ? " chosen" : "";
      const second = tier === "full" ? doubt(p) : "";
      return `<div class="c-label l-spot ${side}${few}${chosen}" data-kind="spot" data-choose="${escape(item.id)}"><b class="l-name">${escape(p.name)}</b>${second}</div>`;
    }
    const { zone, one, words } = item;
    const inside = box.inside ? " inside" : "";
    let second = "";
    if (tier === "full")
      second = one
        ? doubt(one)
        : `<span class="l-ha">${hectares(zone.spots[0].properties.zone_ha)} of water</span>`;
    const last = tier === "name" ? "" : `<b class="restricted">${words.join(tier === "full" ? " " : "<br>")}</b>`;
    return `<div class="c-label l-zone ${side}${inside}" data-kind="zone" data-choose="${escape(zone.id)}"><b class="l-name">${escape(item.name)}</b>${second}${last}</div>`;
  }
}
