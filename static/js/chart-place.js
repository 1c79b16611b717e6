/* Where labels go, so that none lies on another or on a sign. Pure: boxes in, boxes out, no DOM. */

const CELL = 64;

/** Boxes {x, y, w, h} in pixels, kept in a grid so that asking stays quick with hundreds of them. */
export class Taken {
  constructor() {
    this.cells = new Map();
  }

  *keys({ x, y, w, h }) {
    for (let i = Math.floor(x / CELL); i <= Math.floor((x + w) / CELL); i++)
      for (let j = Math.floor(y / CELL); j <= Math.floor((y + h) / CELL); j++) yield `${i},${j}`;
  }

  add(box) {
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

/** The places for a zone's label: in the top left corner of one of its squares, then outside its bounds.
    Never its middle, and the same for every zone: the place of a label says nothing about a spot. */
export function corner(squares, bounds, w, h) {
  const inset = 5;
  const inside = squares
    .filter((s) => s.w >= w + 2 * inset && s.h >= h + 2 * inset)
    .map((s) => ({ x: s.x + inset, y: s.y + inset, w, h, side: "right", inside: true }));
  const { x, y, w: bw, h: bh } = bounds;
  return [
    ...inside,
    { x: x + bw + 5, y, w, h, side: "right" },
    { x: x - w - 5, y, w, h, side: "left" },
    { x, y: y + bh + 4, w, h, side: "right" },
    { x, y: y - h - 4, w, h, side: "right" },
  ];
}

const within = (box, view) =>
  box.x >= view.x && box.y >= view.y && box.x + box.w <= view.x + view.w && box.y + box.h <= view.y + view.h;

/**
 * Place labels, first come first served: give them in order of importance.
 *
 * items: {id, tiers: [{name, boxes: [candidate…]}, …], must, avoid}. A tier is a form of the label, largest
 * first. `avoid`: what a label outside its own shape must keep off besides (other zones: on one of those it
 * would speak for the wrong squares).
 * Returns a map from id to {tier, box}; what does not fit is left out, unless it `must` be shown.
 */
export function place(items, taken, view) {
  const placed = new Map();
  for (const item of items) {
    let found = null;
    for (const tier of item.tiers) {
      const box = tier.boxes.find(
        (b) => within(b, view) && !taken.hits(b, item.id) && (b.inside || !item.avoid?.hits(b, item.id)),
      );
      if (box) {
        found = { tier: tier.name, box };
        break;
      }
    }
    if (!found && item.must && item.tiers.length) found = { tier: item.tiers[0].name, box: item.tiers[0].boxes[0] };
    if (!found) continue;
    placed.set(item.id, found);
    taken.add({ ...found.box, owner: item.id });
  }
  return placed;
}
