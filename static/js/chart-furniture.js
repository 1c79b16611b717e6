/* What a chart carries round its water: a graduated border, a scale bar, zoom buttons, the key. */

const SVG = "http://www.w3.org/2000/svg";

/** Steps of a border graduation, in minutes of arc. */
const STEPS = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30];

/** Dark blocks along one side: [start, end] pixel pairs of every second step of `minutes`. */
function blocks(toPixel, low, high, step, length) {
  const out = [];
  const first = Math.floor(low / step);
  for (let i = first; i * step < high; i++) {
    if (i % 2 === 0) continue;
    const a = Math.max(0, Math.min(length, toPixel(i * step)));
    const b = Math.max(0, Math.min(length, toPixel((i + 1) * step)));
    if (Math.abs(b - a) > 0.5) out.push([Math.min(a, b), Math.max(a, b)]);
  }
  return out;
}

/** The graduated border: dark and light by minutes of latitude and longitude, redrawn as the chart moves. */
export function border(map, frame) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "neat-line clip");
  svg.setAttribute("aria-hidden", "true");
  const dark = document.createElementNS(SVG, "path");
  const rule = document.createElementNS(SVG, "path");
  dark.setAttribute("class", "neat-dark");
  rule.setAttribute("class", "neat-rule");
  svg.append(rule, dark);
  frame.append(svg);
  const GAP = 6; // from the frame's edge to the border, and its own width
  function draw() {
    const { x: w, y: h } = map.getSize();
    const inset = (frame.clientWidth - w) / 2;
    if (inset < GAP * 2 || !w || !h) return;
    const bounds = map.getBounds();
    const wide = bounds.getEast() - bounds.getWest();
    const step = (STEPS.find((s) => (s / 60 / wide) * w >= 44) ?? 60) / 60;
    const x = (lng) => map.latLngToContainerPoint([bounds.getNorth(), lng]).x;
    const y = (lat) => map.latLngToContainerPoint([lat, bounds.getWest()]).y;
    const t = inset - GAP - 2;
    const b = inset + h + 2;
    const r = inset + w + 2;
    let d = "";
    for (const [a, e] of blocks(x, bounds.getWest(), bounds.getEast(), step, w)) {
      const s = `M${inset + a} `;
      d += `${s}${t}h${e - a}v${GAP}H${inset + a}Z${s}${b}h${e - a}v${GAP}H${inset + a}Z`;
    }
    for (const [a, e] of blocks(y, bounds.getSouth(), bounds.getNorth(), step, h)) {
      const s = ` ${inset + a}`;
      d += `M${t}${s}h${GAP}v${e - a}h-${GAP}ZM${r}${s}h${GAP}v${e - a}h-${GAP}Z`;
    }
    dark.setAttribute("d", d);
    const box = (o) =>
      `M${inset - o} ${inset - o}h${w + 2 * o}v${h + 2 * o}H${inset - o}Z`;
    rule.setAttribute("d", box(0.5) + box(2) + box(GAP + 2));
  }
  map.on("move resize zoomend", draw);
  draw();
}

/** A round number at or under n: 1, 2 or 5 times a power of ten. */
function round(n) {
  const power = 10 ** Math.floor(Math.log10(n));
  const first = n / power;
  return power * (first >= 5 ? 5 : first >= 2 ? 2 : 1);
}

/** The scale bar in metres and kilometres, or feet and miles. */
export function scale(map, host, feet = false) {
  const SPACE = 150;
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "scale-bar");
  svg.setAttribute("height", "30");
  svg.setAttribute("role", "img");
  host.append(svg);
  function draw() {
    const size = map.getSize();
    if (!size.y) return;
    const a = map.containerPointToLatLng([0, size.y / 2]);
    const b = map.containerPointToLatLng([SPACE, size.y / 2]);
    const metres = map.distance(a, b);
    const inFeet = metres * 3.28084;
    let unit = "m";
    let perUnit = 1; // metres in one
    if (feet) [unit, perUnit] = inFeet >= 5280 ? ["mi", 1609.344] : ["ft", 0.3048];
    else if (metres >= 2000) [unit, perUnit] = ["km", 1000];
    const whole = round(metres / perUnit);
    const px = (whole * perUnit * SPACE) / metres;
    svg.setAttribute("width", px + 26);
    svg.setAttribute("aria-label", `Scale bar: ${whole} ${unit}`);
    const q = px / 4;
    svg.innerHTML =
      `<path class="scale-light" d="M.5 .5h${px}v6H.5Z"/>` +
      `<path class="scale-dark" d="M.5 .5h${q}v6H.5ZM${2 * q + 0.5} .5h${q}v6h-${q}Z"/>` +
      `<text class="axis" x="0" y="22">0</text>` +
      `<text class="axis" x="${px / 2}" y="22" text-anchor="middle">${whole / 2}</text>` +
      `<text class="axis" x="${px}" y="22" text-anchor="middle">${whole} ${unit}</text>`;
  }
  map.on("zoomend moveend resize", draw);
  draw();
}

/** Plus and minus, and the whole water again. */
export function zoomButtons(map, host, whole) {
  const acts = {
    in: () => map.zoomIn(0.5),
    out: () => map.zoomOut(0.5),
    whole,
  };
  for (const button of host.querySelectorAll("button[data-zoom]"))
    button.addEventListener("click", () => acts[button.dataset.zoom]());
  const [more, less] = ["in", "out"].map((n) => host.querySelector(`[data-zoom="${n}"]`));
  function ends() {
    more.disabled = map.getZoom() >= map.getMaxZoom();
    less.disabled = map.getZoom() <= map.getMinZoom();
  }
  map.on("zoomend", ends);
  ends();
}
