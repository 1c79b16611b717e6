/* Drawing and measuring on a picture: where a finger or a mouse goes is written into the form's own fields, in the
   picture's pixels. The server checks, computes and keeps; without this script the fields are typed. */

const SVG = "http://www.w3.org/2000/svg";
const NEAR = 22; /* of the screen's pixels: a point is taken hold of within this */
const MOST = 60; /* points of a line that is sent */
const SIGN = 22;

const root = document.querySelector("[data-marks]");
const sheet = root.querySelector("[data-sheet]");
const svg = sheet.querySelector("[data-drawn]");
const preview = svg.querySelector("[data-preview]");
const told = root.querySelector("[data-told]");
const size = { width: Number(root.dataset.width), height: Number(root.dataset.height) };
const lines = root.dataset.lines.split(" ");
const draw = root.querySelector("[data-draw]");
const measure = root.querySelector("[data-measure]");
const black = root.querySelector("[data-black]");
let armed = null;

/* Picture pixels in one of the screen's. */
const scale = () => size.width / svg.getBoundingClientRect().width;

function at(event) {
  const box = svg.getBoundingClientRect();
  const part = (value, start, length, most) => Math.max(0, Math.min(most, Math.round(((value - start) / length) * most)));
  return [part(event.clientX, box.left, box.width, size.width), part(event.clientY, box.top, box.height, size.height)];
}

function element(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

/* Signs keep their size whatever the picture's. */
function resize() {
  const one = scale();
  if (!Number.isFinite(one)) return; /* not laid out yet, or no longer */
  for (const sign of svg.querySelectorAll(".sign")) {
    const { left, top, bottom, wide } = sign.dataset;
    const x = Math.max(0, Math.min(Number(left), size.width - Number(wide) * one));
    const above = Number(top) - SIGN * one;
    const y = above >= 0 ? above : Math.min(Number(bottom), size.height - SIGN * one);
    sign.setAttribute("transform", `translate(${x} ${y}) scale(${one})`);
  }
  show();
}

const field = (form, axis, number) => form.elements[`${axis}${number}`];
const pointOf = (form, number) => {
  const [x, y] = [field(form, "x", number), field(form, "y", number)];
  return x.value === "" || y.value === "" ? null : [Number(x.value), Number(y.value)];
};
function setPoint(form, number, [x, y]) {
  field(form, "x", number).value = x;
  field(form, "y", number).value = y;
}
const count = (form) => form.querySelectorAll("[data-point]").length;
const kindOf = () => draw.elements.kind.value;

/* A line is thinned to what it needs (Douglas and Peucker 1973), so that a long drag is not a long list. */
function thinned(points, slack) {
  if (points.length < 3) return points;
  const [[ax, ay], [bx, by]] = [points[0], points.at(-1)];
  const long = Math.hypot(bx - ax, by - ay) || 1;
  let far = 0, where = 0;
  points.forEach(([x, y], i) => {
    const off = Math.abs((bx - ax) * (ay - y) - (ax - x) * (by - ay)) / long;
    if (off > far) [far, where] = [off, i];
  });
  if (far <= slack) return [points[0], points.at(-1)];
  return [...thinned(points.slice(0, where + 1), slack).slice(0, -1), ...thinned(points.slice(where), slack)];
}

function fewer(points) {
  let slack = scale();
  let made = thinned(points, slack);
  while (made.length > MOST) made = thinned(points, (slack *= 2));
  return made;
}

const pairs = (points) => points.map((point) => point.join(",")).join(" ");

function show() {
  preview.replaceChildren();
  for (const form of [draw, black]) {
    const [one, other] = form ? [pointOf(form, 1), pointOf(form, 2)] : [];
    if (!one || !other) continue;
    const box = {
      x: Math.min(one[0], other[0]), y: Math.min(one[1], other[1]),
      width: Math.abs(one[0] - other[0]), height: Math.abs(one[1] - other[1]),
    };
    if (form === black) preview.append(element("rect", { class: "blacked", ...box }));
    for (const name of ["halo", "ink"]) {
      preview.append(
        form === draw && lines.includes(kindOf())
          ? element("polyline", { class: name, points: draw.elements.points.value || pairs([one, other]) })
          : element("rect", { class: name, ...box }),
      );
    }
  }
  if (!measure) return;
  const one = scale();
  for (let number = 1; number <= count(measure); number++) {
    const point = pointOf(measure, number);
    if (!point) continue;
    preview.append(element("circle", { class: "halo", cx: point[0], cy: point[1], r: 9 * one }));
    preview.append(element("circle", { class: "handle", cx: point[0], cy: point[1], r: 9 * one }));
    const sign = element("g", { transform: `translate(${point[0] + 10 * one} ${point[1] - 24 * one}) scale(${one})`, class: "point-sign" });
    sign.append(element("rect", { class: "plate", width: 20, height: SIGN }), element("text", { x: 6, y: 16 }, String(number)));
    preview.append(sign);
  }
}

/* The point that the next tap sets: the first that has none. */
function next() {
  for (let number = 1; number <= count(measure); number++) if (!pointOf(measure, number)) return number;
  return null;
}

function mark() {
  const number = armed === measure ? next() : null;
  for (const row of measure?.querySelectorAll("[data-point]") ?? []) row.toggleAttribute("data-next", Number(row.dataset.point) === number);
  if (armed !== measure) return;
  const row = number && measure.querySelector(`[data-point="${number}"]`);
  told.textContent = row ? `Tap: ${row.getAttribute("aria-label")}.` : "All points are set. Drag one to move it, or measure.";
}

function arm(form) {
  armed = armed === form ? null : form;
  for (const one of [draw, measure, black]) {
    const button = one?.querySelector("[data-arm]");
    button?.setAttribute("aria-pressed", String(one === armed));
  }
  sheet.classList.toggle("armed", armed !== null);
  told.textContent = armed && armed !== measure ? "Drag over it on the picture." : "";
  mark();
  if (armed) sheet.scrollIntoView({ block: "nearest" });
}

/* How well a finger or a mouse hits, unless somebody has said it. */
function hits(event) {
  const input = measure.elements.click;
  if (input.dataset.said) return;
  input.value = Math.max(1, Math.ceil((event.pointerType === "touch" ? 6 : 2) * scale()));
}

let moving = null;

sheet.addEventListener("pointerdown", (event) => {
  if (!armed || event.button > 0) return;
  event.preventDefault();
  sheet.setPointerCapture(event.pointerId);
  const point = at(event);
  if (armed !== measure) {
    moving = { path: [point] };
  } else {
    const reach = NEAR * scale();
    let number = null;
    for (let one = 1; one <= count(measure); one++) {
      const known = pointOf(measure, one);
      if (known && Math.hypot(known[0] - point[0], known[1] - point[1]) <= reach) number = one;
    }
    number ??= next();
    if (!number) return;
    hits(event);
    setPoint(measure, number, point);
    moving = { number };
    show();
  }
});

sheet.addEventListener("pointermove", (event) => {
  if (!moving) return;
  const point = at(event);
  if (moving.path) {
    moving.path.push(point);
    setPoint(armed, 1, moving.path[0]);
    setPoint(armed, 2, point);
    if (armed === draw) draw.elements.points.value = lines.includes(kindOf()) ? pairs(fewer(moving.path)) : "";
  } else {
    setPoint(measure, moving.number, point);
  }
  show();
});

for (const name of ["pointerup", "pointercancel"]) {
  sheet.addEventListener(name, () => {
    if (!moving) return;
    moving = null;
    mark();
  });
}

/* What is typed is drawn at once. */
draw?.addEventListener("input", (event) => {
  if (event.target.type === "number") draw.elements.points.value = "";
  show();
});
measure?.addEventListener("input", (event) => {
  if (event.target.name === "click") event.target.dataset.said = "yes";
  show();
  mark();
});

black?.addEventListener("input", show);

for (const form of [draw, measure, black]) {
  const button = form?.querySelector("[data-arm]");
  if (!button) continue;
  button.hidden = false;
  button.addEventListener("click", () => arm(form));
}
for (const words of root.querySelectorAll("[data-with-script]")) words.hidden = false;
/* Choosing what it is, is beginning to draw. */
draw?.elements.kind.forEach?.((radio) => radio.addEventListener("change", () => armed === draw || arm(draw)));

sheet.querySelector("img").addEventListener("load", resize);
new ResizeObserver(resize).observe(sheet);
