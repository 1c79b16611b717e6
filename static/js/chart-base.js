/* The base map: a water's own outline, depths, contours, soundings and names as vectors. No tiles.
   Needs leaflet.js before it (the global L). */

const PANES = { water: 200, rules: 300, zones: 410, spots: 450, labels: 460 };

/** Tint by the shallow edge of a depth area, metres. */
function tint(from) {
  if (from >= 20) return "depth-20";
  if (from >= 10) return "depth-10";
  if (from >= 5) return "depth-5";
  return from >= 2 ? "depth-2" : "depth-0";
}

/** The order in which polygons are laid: outline, deeper and deeper, then what bares. */
function order(feature) {
  const { kind, from_m: from = 0 } = feature.properties;
  return { outline: 0, depth: 1 + from, bared: 900 }[kind] ?? 950;
}

const LINES = {
  outline: "c-outline",
  bared: "c-bared",
  no_wake: "c-rule c-no-wake",
  closure: "c-rule c-closure",
  bridge: "c-bridge",
  dam: "c-dam",
};

export function byKind(features, kind) {
  return features.filter((f) => f.properties.kind === kind);
}

/** Whether a place lies in the polygons, by counting crossings of every ring. */
export function inside(polygons, lng, lat) {
  let odd = false;
  for (const { geometry } of polygons) {
    const parts = geometry.type === "Polygon" ? [geometry.coordinates] : geometry.coordinates;
    for (const ring of parts.flat())
      for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
        const [[x1, y1], [x2, y2]] = [ring[i], ring[j]];
        if (y1 > lat !== y2 > lat && lng < ((x2 - x1) * (lat - y1)) / (y2 - y1) + x1) odd = !odd;
      }
  }
  return odd;
}

/** An empty map in the element, fitted to nothing yet. */
export function newMap(host) {
  const map = L.map(host, {
    zoomControl: false,
    attributionControl: false,
    zoomSnap: 0.25,
    zoomDelta: 0.5,
    wheelPxPerZoomLevel: 120,
    zoomAnimation: false,
    fadeAnimation: false,
    markerZoomAnimation: false,
    inertia: !matchMedia("(prefers-reduced-motion: reduce)").matches,
  });
  for (const [name, z] of Object.entries(PANES)) map.createPane(`t-${name}`).style.zIndex = z;
  // The window's size is not the only thing that changes the chart's: printing and the panel do too.
  new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(host);
  for (const name of ["water", "rules"]) map.getPane(`t-${name}`).style.pointerEvents = "none";
  return map;
}

/** Draw the polygons and lines of a water; returns its bounds. Points are for the labels to draw. */
export function layWater(map, features) {
  const water = L.svg({ pane: "t-water", padding: 0.4 });
  const rules = L.svg({ pane: "t-rules", padding: 0.4 });
  const shapes = features
    .filter((f) => f.geometry && !f.geometry.type.endsWith("Point"))
    .sort((a, b) => order(a) - order(b));
  for (const feature of shapes) {
    const { kind, from_m: from } = feature.properties;
    const className = kind === "depth" ? `c-depth ${tint(from)}` : (LINES[kind] ?? "c-other");
    const ruled = kind === "no_wake" || kind === "closure" || kind === "dam" || kind === "bridge";
    L.geoJSON(feature, {
      interactive: false,
      pane: ruled ? "t-rules" : "t-water",
      style: { renderer: ruled ? rules : water, className, smoothFactor: 0.6, stroke: true, fill: true },
    }).addTo(map);
  }
  const outline = byKind(shapes, "outline");
  return outline.length ? L.geoJSON(outline).getBounds() : null;
}

/** Show the whole water and keep the reader near it. Never fitted to spots: that would tell of them. */
export function fitWater(map, bounds, padding) {
  map.fitBounds(bounds, { padding, animate: false });
  map.setMinZoom(map.getZoom() - 1);
  map.setMaxZoom(18);
  map.setMaxBounds(bounds.pad(0.6));
}

/** GeoJSON features of a collection, following `next` when the answer is paged. */
export async function features(url, signal) {
  const found = [];
  let next = url;
  while (next) {
    const answer = await fetch(next, { signal, headers: { Accept: "application/geo+json, application/json" } });
    if (!answer.ok) throw new Error(`${answer.status} for ${next}`);
    const page = await answer.json();
    found.push(...page.features);
    next = page.next ?? null;
  }
  return found;
}
