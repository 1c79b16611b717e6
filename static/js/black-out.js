/* Blacking out what a screen shows of a place, before a picture leaves the phone. The picture is painted and written
   anew here, so that neither the outbox nor the server ever has what was under the black. */

const LONGEST = 3000; /* pixels of a side; the server keeps 2048 */
const QUALITY = 0.92;

const make = (tag, props = {}, ...children) => {
  const made = Object.assign(document.createElement(tag), props);
  made.append(...children);
  return made;
};

const canReplace = (() => {
  try {
    return new DataTransfer().items !== undefined && "createImageBitmap" in window;
  } catch {
    return false;
  }
})();

function replace(input, at, file) {
  const files = new DataTransfer();
  [...input.files].forEach((one, i) => files.items.add(i === at ? file : one));
  input.files = files.files;
}

/* Ask, under the input, once pictures are chosen. */
function ask(input) {
  const place = input.closest(".field");
  place.querySelector("[data-black-out]")?.remove();
  if (!input.files.length) return;
  const list = make("div", { className: "black-out stack-small" });
  list.dataset.blackOut = "";
  list.append(make("p", { className: "quiet", textContent: "Does one show coordinates, a waypoint’s name or a chart? Black it out before it is saved." }));
  const row = make("div", { className: "actions" });
  [...input.files].forEach((file, i) => {
    const button = make("button", { type: "button", className: "button small", textContent: `Look at ${file.name.slice(0, 40) || `picture ${i + 1}`}` });
    button.addEventListener("click", () => open(input, i, button));
    row.append(button);
  });
  list.append(row);
  place.append(list);
}

async function open(input, at, button) {
  const file = input.files[at];
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    button.replaceWith(make("p", { className: "quiet", textContent: `${file.name.slice(0, 40)} cannot be opened here: black it out on its own page once it is saved, or take a screenshot of it.` }));
    return;
  }
  const scale = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
  const canvas = make("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "The picture. Drag over what is to be black, or type where it is.");
  const boxes = [];
  const fields = ["from left", "from top", "to left", "to top"].map((label, i) => {
    const field = make("input", { type: "number", min: 0, max: 100, step: 1, value: ["0", "0", "30", "10"][i], inputMode: "numeric" });
    return [make("label", {}, make("span", { textContent: `${label}, %` }), field), field];
  });
  const told = make("p", { className: "quiet", textContent: "Drag over it." });
  told.setAttribute("role", "status");
  const add = make("button", { type: "button", className: "button", textContent: "Black this out" });
  const undo = make("button", { type: "button", className: "button", textContent: "Undo", disabled: true });
  const done = make("button", { type: "button", className: "button primary", textContent: "Keep it so" });
  const leave = make("button", { type: "button", className: "button", textContent: "Leave as it was" });
  const dialog = make(
    "dialog",
    { className: "black-out-dialog" },
    make("h2", { textContent: "Black out", id: "black-out-title" }),
    canvas,
    told,
    make("details", { className: "fold-in" }, make("summary", { textContent: "Type where it is" }), make("div", { className: "black-out-fields" }, ...fields.map(([label]) => label), add)),
    make("div", { className: "actions" }, done, undo, leave),
  );
  dialog.setAttribute("aria-labelledby", "black-out-title");

  const paint = (extra) => {
    const pen = canvas.getContext("2d");
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    pen.fillStyle = "#000";
    for (const [x1, y1, x2, y2] of extra ? [...boxes, extra] : boxes) pen.fillRect(Math.min(x1, x2), Math.min(y1, y2), Math.abs(x2 - x1), Math.abs(y2 - y1));
    undo.disabled = boxes.length === 0;
    told.textContent = boxes.length === 0 ? "Drag over it." : `${boxes.length} part${boxes.length > 1 ? "s" : ""} blacked out.`;
  };
  const at_ = (event) => {
    const box = canvas.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * canvas.width, ((event.clientY - box.top) / box.height) * canvas.height];
  };
  let from = null;
  canvas.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    canvas.setPointerCapture(event.pointerId);
    from = at_(event);
  });
  canvas.addEventListener("pointermove", (event) => from && paint([...from, ...at_(event)]));
  canvas.addEventListener("pointerup", (event) => {
    if (!from) return;
    const box = [...from, ...at_(event)];
    from = null;
    if (Math.abs(box[0] - box[2]) > 2 && Math.abs(box[1] - box[3]) > 2) boxes.push(box);
    paint();
  });
  canvas.addEventListener("pointercancel", () => {
    from = null;
    paint();
  });
  add.addEventListener("click", () => {
    const part = fields.map(([, field], i) => (Math.max(0, Math.min(100, Number(field.value) || 0)) / 100) * (i % 2 ? canvas.height : canvas.width));
    if (part[0] !== part[2] && part[1] !== part[3]) boxes.push(part);
    paint();
  });
  undo.addEventListener("click", () => {
    boxes.pop();
    paint();
  });
  leave.addEventListener("click", () => dialog.close());
  done.addEventListener("click", () => {
    if (!boxes.length) return dialog.close();
    done.disabled = true;
    canvas.toBlob((blob) => {
      if (!blob) {
        told.textContent = "It could not be written. Leave the picture out, or black it out on its page.";
        done.disabled = false;
        return;
      }
      replace(input, at, new File([blob], file.name.replace(/\.[^.]*$/, "") + ".jpg", { type: "image/jpeg" }));
      button.textContent = `${boxes.length} part${boxes.length > 1 ? "s" : ""} of ${file.name.slice(0, 40)} blacked out`;
      dialog.close();
    }, "image/jpeg", QUALITY);
  });
  dialog.addEventListener("close", () => {
    picture.close();
    dialog.remove();
    button.focus();
  });
  document.body.append(dialog);
  paint();
  dialog.showModal();
}

export function askToBlackOut(form) {
  if (!canReplace) return;
  form.addEventListener("change", (event) => {
    if (event.target.type === "file") ask(event.target);
  });
}
