/* Small charts that only show: one spot, a zone, or several, on their water. See templates/parts/small_chart.html.

   <div class="small-chart" role="img" aria-label="…"><div class="chart-map" data-small-chart
        data-chart-url="/api/waters/…/chart/" data-shows="id of a json_script"></div></div>
   The script holds a GeoJSON feature or collection; without one, the water alone is drawn. A feature's
   properties may have name, sharing, precision; `label: false` leaves its words out. */

import { features, fitWater, layWater, newMap } from "./chart-base.js";
import { scale } from "./chart-furniture.js";
import { Labels } from "./chart-labels.js";
import { Spots } from "./chart-spots.js";

function shown(host) {
  const script = host.dataset.shows && document.getElementById(host.dataset.shows);
  if (!script) return [];
  const data = JSON.parse(script.textContent);
  const list = data.type === "FeatureCollection" ? data.features : [data];
  return list
    .filter((f) => f?.geometry)
    .map((f, index) => ({
      id: f.id ?? `shown-${index}`,
      ...f,
      properties: { name: "", grade: "", probability: null, interval: null, sharing: null, ...f.properties },
    }));
}

/** Near enough to know the place by, far enough to see the water round it. */
function fit(map, water, list) {
  fitWater(map, water, [10, 10]);
  if (list.length !== 1) return;
  const bounds = L.geoJSON(list[0]).getBounds();
  if (list[0].geometry.type === "Point") map.setView(bounds.getCenter(), Math.max(map.getZoom(), 15), { animate: false });
  else map.fitBounds(bounds.pad(0.25), { animate: false });
}

export async function small(host) {
  host.inert = true; // a picture: what it says stands in its label and beside it
  const map = newMap(host, { interactive: false });
  const list = shown(host);
  const drawn = await features(host.dataset.chartUrl);
  const water = layWater(map, drawn);
  if (!water) throw new Error("This water has no outline to draw.");
  fit(map, water, list);
  const spots = new Spots(map, () => {});
  const labels = new Labels(map, spots, () => [], host.dataset.unit === "ft");
  labels.setPoints(drawn.filter((f) => f.geometry?.type === "Point"));
  spots.show(list);
  if (list.length === 1) spots.mark(list[0].id);
  spots.hatch();
  labels.draw();
  const bar = host.parentElement.querySelector(".chart-scale");
  if (bar) scale(map, bar, host.dataset.unit === "ft");
  return map;
}

for (const host of document.querySelectorAll("[data-small-chart]"))
  small(host).catch(() => {
    host.parentElement.classList.add("failed");
    host.textContent = "The chart did not load.";
  });
