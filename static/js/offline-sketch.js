/* A sketch of one water from what the phone carries: its shore, the spots, and where the phone is. */

const NS = "http://www.w3.org/2000/svg";
const WIDTH = 440;

function svg(tag, attributes, ...children) {
  const made = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

const rings = ({ type, coordinates }) => (type === "Polygon" ? coordinates : coordinates.flat());

/* The picture, or nothing for a water without an outline. `here` is the phone's own position, or nothing. */
export function sketch(water, spots, here, address) {
  if (!water?.outline) return null;
  const shores = rings(water.outline);
  const points = [...shores.flat(), ...spots.filter((spot) => spot.point).map((spot) => spot.point)];
  const lons = points.map((point) => point[0]);
  const lats = points.map((point) => point[1]);
  // Not spread into Math.min: a long shore has more points than a call takes.
  const least = (values) => values.reduce((a, b) => Math.min(a, b));
  const most = (values) => values.reduce((a, b) => Math.max(a, b));
  const [west, east, south, north] = [least(lons), most(lons), least(lats), most(lats)];
  const shrink = Math.cos((((south + north) / 2) * Math.PI) / 180);
  const scale = (WIDTH - 32) / Math.max((east - west) * shrink, north - south, 1e-6);
  const height = (north - south) * scale + 32;
  const x = (lon) => ((WIDTH - (east - west) * shrink * scale) / 2 + (lon - west) * shrink * scale).toFixed(1);
  const y = (lat) => (16 + (north - lat) * scale).toFixed(1);
  const shore = shores.map((ring) => `M${ring.map(([lon, lat]) => `${x(lon)} ${y(lat)}`).join("L")}Z`).join("");
  const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${height.toFixed(0)}`, class: "sketch", role: "group",
    "aria-label": `Sketch of ${water.name}: its shore and the spots that this phone carries` },
    svg("rect", { class: "land", width: WIDTH, height: height.toFixed(0) }),
    svg("path", { class: "water-shape", d: shore, "fill-rule": "evenodd" }));
  for (const spot of spots) {
    if (!spot.point) continue;
    const at = { cx: x(spot.point[0]), cy: y(spot.point[1]) };
    const link = svg("a", { href: address({ spot: spot.id }) }, svg("circle", { ...at, r: 14, class: "touch" }), svg("circle", { ...at, r: 4.5 }));
    link.prepend(svg("title", {}, spot.label));
    picture.append(link);
  }
  if (here) {
    const [px, py] = [x(here.longitude), y(here.latitude)];
    picture.append(svg("path", { class: "phone", d: `M${px} ${py}m-9 0h18m-9-9v18` }));
  }
  return picture;
}
