/* Where labels go, so that none lies on another or on a sign. Pure: boxes in, boxes out, no DOM. */

const CELL = 64;

/** Boxes {x, y, w, h} in pixels, kept in a grid so that asking stays quick with hundreds of them. Only what lies
    in the view (when given one) is kept: a zone may reach far beyond it. */
export class Taken {
  constructor(view = null) {
    this.cells = new Map();
    this.view = view;
  }

  clip(box) {
    if (!this.view) return box;
    const x = Math.max(box.x, this.view.x);
    const y = Math.max(box.y, this.view.y);
    const w = Math.min(box.x + box.w, this.view.x + this.view.w) - x;
    const h = Math.min(box.y + box.h, this.view.y + this.view.h) - y;
    return w > 0 && h > 0 ? { ...box, x, y, w, h } : null;
  }

  *keys({ x, y, w, h }) {
    for (let i = Math.floor(x / CELL); i <= Math.floor((x + w) / CELL); i++)
      for (let j = Math.floor(y / CELL); j <= Math.floor((y + h) / CELL); j++) yield `${i},${j}`;
  }

  add(whole) {
    const box = this.clip(whole);
    if (!box) return;
    for (const key of this.keys(box)) {
      const cell = this.cells.get(key);
      if (cell) cell.push(box);
      else this.cells.set(key, [box]);
    }
  }

  /** Whether the box touches any that is taken, but for those owned by `except`. */
  hits(box, except) {
    for (const key of this.keys(box))
      for (const other of this.cells.get(key) ?? []) {
        if (except !== undefined && other.owner === except) continue;
        if (
          box.x < other.x + other.w &&
          other.x < box.x + box.w &&
          box.y < other.y + other.h &&
          other.y < box.y + box.h
        )
          return true;
      }
    return false;
  }
}

/** The places beside a sign of radius r where a label of size w by h may stand: right, left, below, above. */
export function beside(x, y, r, w, h) {
  const gap = 3;
  return [
    { x: x + r + gap, y: y - h / 2, w, h, side: "right" },
    { x: x - r - gap - w, y: y - h / 2, w, h, side: "left" },
    { x: x + r + gap, y: y - h + 6, w, h, side: "right" },
    { x: x - r - gap - w, y: y - h + 6, w, h, side: "left" },
    { x: x + r + gap, y: y - 6, w, h, side: "right" },
    { x: x - r - gap - w, y: y - 6, w, h, side: "left" },
    { x: x - w / 2, y: y + r + gap, w, h, side: "middle" },
    { x: x - w / 2, y: y - r - gap - h, w, h, side: "middle" },
  ];
}

/** Whether a point lies in rings [[{x, y}…]…], by counting crossings. */
function holds(rings, x, y) {
  let odd = false;
  for (const ring of rings)
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      const [a, b] = [ring[i], ring[j]];
      if (a.y > y !== b.y > y && x < ((b.x - a.x) * (y - a.y)) / (b.y - a.y) + a.x) odd = !odd;
    }
  return odd;
}

/** Whether a box lies wholly in rings whose sides run along the axes. */
function covers(rings, { x, y, w, h }) {
  for (const [u, v] of [[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0.5], [0.5, 0], [0.5, 1]])
    if (!holds(rings, x + u * w, y + v * h)) return false;
  return true;
}

/** The places for a zone's label: on its own squares, from the top left of what is in view; then beside it.
    Read in that order for every zone: where a label stands says nothing about a spot. */
export function* corner(rings, bounds, view, w, h) {
  const inset = 5;
  const step = 18;
  const left = Math.max(bounds.x, view.x);
  const top = Math.max(bounds.y, view.y);
  const right = Math.min(bounds.x + bounds.w, view.x + view.w) - w - 2 * inset;
  const bottom = Math.min(bounds.y + bounds.h, view.y + view.h) - h - 2 * inset;
  for (let y = top; y <= bottom; y += step)
    for (let x = left; x <= right; x += step)
      if (covers(rings, { x: x + 1, y: y + 1, w: w + 2 * inset - 2, h: h + 2 * inset - 2 }))
        yield { x: x + inset, y: y + inset, w, h, side: "right", inside: true };
  const { x, y, w: bw, h: bh } = bounds;
  yield { x: x + bw + 5, y, w, h, side: "right" };
  yield { x: x - w - 5, y, w, h, side: "left" };
  yield { x, y: y + bh + 4, w, h, side: "right" };
  yield { x, y: y - h - 4, w, h, side: "right" };
}

/** The first of the boxes that will do; a generator is read no further than it must be. */
function first(boxes, wanted) {
  for (const box of boxes) if (wanted(box)) return box;
  return null;
}

const within = (box, view) =>
  box.x >= view.x && box.y >= view.y && box.x + box.w <= view.x + view.w && box.y + box.h <= view.y + view.h;

/**
 * Place labels, first come first served: give them in order of importance.
 *
 * items: {id, tiers: [{name, boxes: () => candidates}, …], must, avoid}. A tier is a form of the label, largest
 * first. `avoid`: what a label outside its own shape must keep off besides (other zones: on one of those it
 * would speak for the wrong squares).
 * Returns a map from id to {tier, box}; what does not fit is left out, unless it `must` be shown.
 */
export function place(items, taken, view) {
  const placed = new Map();
  for (const item of items) {
    let found = null;
    for (const tier of item.tiers) {
      const box = first(
        tier.boxes(),
        (b) => within(b, view) && !taken.hits(b, item.id) && (b.inside || !item.avoid?.hits(b, item.id)),
      );
      if (box) {
        found = { tier: tier.name, box };
        break;
      }
    }
    if (!found && item.must && item.tiers.length) found = { tier: item.tiers[0].name, box: first(item.tiers[0].boxes(), () => true) };
    if (!found) continue;
    placed.set(item.id, found);
    taken.add({ ...found.box, owner: item.id });
  }
  return placed;
}
