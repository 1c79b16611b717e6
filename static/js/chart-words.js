/* How the chart says things. The same rules as club/figures.py: no chance without its interval. */

const NB = "\u00a0";

export const GRADE_RANK = { "": 0, none: 0, called: 1, seen: 2, landed: 3, verified: 4 };

export function escape(text) {
  const map = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" };
  return String(text).replace(/[&<>"]/g, (c) => map[c]);
}

export function percent(p) {
  if (p < 0.005) return "under 1";
  if (p >= 0.995) return "over 99";
  return String(Math.round(p * 100));
}

export function interval([lo, hi]) {
  return `${percent(lo)} to ${percent(hi)}${NB}%`;
}

/* Code to name; and whether each spot speaks of a species of its own choosing, which then has to be named. */
const species = { names: {}, any: false };

let month = 0;

/** Chances are now's, or a chosen month's: '' or 1 to 12. */
export function sayWhen(season) {
  month = Number(season) || 0;
}

/** 'now', or 'in October'. */
export function when() {
  return month ? `in ${new Date(2000, month - 1, 1).toLocaleString("en-GB", { month: "long" })}` : "now";
}

export function knowSpecies(names) {
  species.names = names;
}

export function sayWhichSpecies(any) {
  species.any = any;
}

export function speciesName(p) {
  return species.names[p.species] ?? p.species ?? "";
}

/** The species a chance is about, where the page does not say it already. */
export function ofWhat(p) {
  return species.any && p.probability != null ? speciesName(p) : "";
}

export function chance(p) {
  if (p.probability == null) return "no chance worked out yet";
  const what = ofWhat(p);
  return `${what ? `${what} ` : ""}${when()} ${percent(p.probability)}${NB}%, 90${NB}% interval ${interval(p.interval)}`;
}

/** What stands there, unless it is nothing. */
export function cover(p) {
  return p.cover && p.cover !== "none" ? p.cover : "";
}

/** A sign of the sprite, silent. */
export function sign(name, size) {
  return (
    `<svg class="mark mark-${name}" width="${size}" height="${size}" aria-hidden="true" focusable="false">` +
    `<use href="#sign-${name}"></use></svg>`
  );
}

/** The small bar: line 0 to 100, band the interval, tick the estimate. */
export function bar({ probability: p, interval: range }, width = 46) {
  if (p == null) return "";
  const x = (v) => (v * (width - 1) + 0.5).toFixed(1);
  const [lo, hi] = range;
  return (
    `<svg class="bar" width="${width}" height="12" aria-hidden="true" focusable="false">` +
    `<path class="bar-end" d="M.5 3v6M${width - 0.5} 3v6"/><path class="bar-line" d="M0 6h${width}"/>` +
    `<rect class="bar-band" x="${x(lo)}" y="2.5" width="${Math.max(1, (hi - lo) * (width - 1)).toFixed(1)}" height="7"/>` +
    `<path class="bar-tick" d="M${x(p)} .5v11"/></svg>`
  );
}

export function gradeWord(grade) {
  return grade || "nothing yet";
}

/** How many squares a zone is drawn as: a ring of more than five points is several squares in one outline. */
export function squaresOf(geometry) {
  if (!geometry || geometry.type === "Point") return 0;
  const polygons = geometry.type === "Polygon" ? [geometry.coordinates] : geometry.coordinates;
  return polygons.reduce((n, [ring]) => n + (ring.length > 5 ? 2 : 1), 0);
}

/** How exactly a spot is shown, in words. */
export function where(p, squares = 1) {
  if (p.sharing) return p.sharing;
  if (p.precision === "exact") return "exact";
  if (p.precision === "water") return "somewhere on this water";
  return squares === 1 ? "within this square" : "within these squares";
}

/** Which sign stands for it. */
export function whereSign(p) {
  if (p.precision === "exact") return p.sharing ? "few" : "exact";
  return p.precision === "water" ? "water" : "area";
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** '2026-09-24' -> '24 Sep 2026'; '2026-09' -> 'Sep 2026'. */
export function day(text) {
  if (!text) return "";
  const [year, month, date] = String(text).slice(0, 10).split("-").map(Number);
  if (!month) return String(text);
  return `${date ? `${date} ` : ""}${MONTHS[month - 1]} ${year}`;
}

export function hectares(n) {
  return n == null ? "" : `${Math.round(n)}${NB}ha`;
}
