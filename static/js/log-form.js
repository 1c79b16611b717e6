/* The log page's form, read and written: its errors, and the look that it says. */

import { newId } from "./outbox.js";
import { keep, read, recall } from "./store.js";

const VISIT_MS = 6 * 3600_000;
const TRIP_MS = 12 * 3600_000;
/* What is carried on through a trip, as the server does it (observations/log_start.py). */
const CARRIED = ["platform", "water_temp", "water_temp_depth", "secchi", "pool_level", "clarity", "wind", "wind_from", "sky"];

export function clearErrors(form) {
  form.querySelector("[data-errors]").hidden = true;
  for (const place of form.querySelectorAll("[data-error]")) place.hidden = true;
  for (const input of form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
  for (const field of form.querySelectorAll(".has-error")) field.classList.remove("has-error");
}

function labelOf(name) {
  const field = document.getElementById(`${name}-field`);
  const label = field?.querySelector("legend, label");
  return label ? label.textContent.trim() : "This page";
}

export function showErrors(form, errors) {
  const box = form.querySelector("[data-errors]");
  const list = form.querySelector("[data-errors-list]");
  form.querySelector("[data-errors-lead]").textContent =
    "Put this right, and seal again. Nothing that you typed or chose is lost.";
  list.replaceChildren();
  for (const [name, messages] of Object.entries(errors)) {
    const place = form.querySelector(`[data-error="${CSS.escape(name)}"]`);
    if (place) {
      place.textContent = messages.join(" ");
      place.hidden = false;
      const field = document.getElementById(`${name}-field`);
      field?.classList.add("has-error");
      field?.querySelector(".field > input, .field > select")?.setAttribute("aria-invalid", "true");
      for (let fold = place.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    }
    for (const message of messages) {
      const item = document.createElement("li");
      if (place) {
        const link = document.createElement("a");
        link.href = `#${name}-field`;
        link.textContent = labelOf(name);
        item.append(link, `: ${message}`);
      } else {
        item.textContent = message;
      }
      list.append(item);
    }
  }
  box.hidden = false;
  box.focus();
  box.scrollIntoView({ block: "start" });
}


const proves = (value) => value === "camera" || value === "rod";
const words = (form, name) =>
  form.querySelector(`[name="${name}"]:checked`)?.closest("label")?.textContent.trim() ?? "";

/* A look in a few words, for the lists of what waits. */
function inWords(form) {
  const method = form.elements.method.value;
  const told = [words(form, "method")];
  if (proves(method)) {
    told.push(foundFish(form) ? speciesOf(form, 0).replaceAll("-", " ") : "found nothing");
  } else {
    const band = words(form, "g0-band");
    told.push(band === "none" ? "nothing there" : `${band} echoes`);
    const call = form.elements["g0-call"].value;
    const sure = form.elements["g0-sure"].value;
    if (call) told.push(`${call.replaceAll("-", " ")}${/^\d+$/.test(sure) ? ` ${sure} %` : ""}`);
  }
  return told.filter(Boolean).join(", ");
}

function speciesOf(form, number) {
  const chosen = form.elements[`f${number}-species`].value;
  return chosen && chosen !== "other" ? chosen : form.elements[`f${number}-species_other`].value;
}

/* Who names the species has said that fish were found. */
const foundFish = (form) =>
  form.elements.found.value === "fish" || (!form.elements.found.value && speciesOf(form, 0) !== "");

function groupsOf(form) {
  return [0, 1, 2]
    .map((n) => ({
      id: form.elements[`g${n}-id`].value,
      band: form.elements[`g${n}-band`].value,
      words: `${words(form, `g${n}-band`)} ${words(form, `g${n}-placement`)} ${words(form, `g${n}-call`)}`.trim(),
    }))
    .filter((group) => group.band && group.band !== "none");
}

/* The look that the form says, as the outbox keeps it. The pictures of a hidden part are left out. */
export async function entryOf(form) {
  const method = form.elements.method.value;
  if (!proves(method))
    for (const group of form.querySelectorAll("[name$=-id]")) group.value ||= newId();
  const before = await read(form.elements.look.value).catch(() => null);
  const fields = [];
  const pictures = [...(before?.pictures ?? [])];
  for (const [name, value] of new FormData(form)) {
    if (name === "csrfmiddlewaretoken") continue;
    if (!(value instanceof File)) fields.push([name, value]);
    else if (value.size && (name === "pictures" || (proves(method) && foundFish(form))))
      pictures.push({
        key: newId(),
        name: value.name,
        blob: value,
        species: name === "pictures" ? "" : speciesOf(form, Number(name[1])),
      });
  }
  const settles = form.querySelector("[name=settles]:checked")?.value ?? "";
  const settled = (await looksHere(form.elements.spot.value)).find((one) => one.groups.some((group) => group.id === settles));
  return {
    look: form.elements.look.value,
    spot: form.elements.spot.value,
    label: form.querySelector("[data-spot-label]").textContent.trim(),
    words: inWords(form),
    fields,
    pictures,
    after: settled?.look ?? null,
    place: form.dataset.place ? JSON.parse(form.dataset.place) : null,
    groups: groupsOf(form),
    saved_at: before?.saved_at ?? new Date().toISOString(),
  };
}

/* Keep what the trip's next look starts with, and what a proof may settle. */
export async function rememberLook(form, entry) {
  const { look, spot, label, groups, saved_at, words: told } = entry;
  const others = ((await recall("recent")) ?? []).filter((one) => one.look !== look);
  const names = ["method", "lines", ...CARRIED];
  await keep("recent", [{ look, spot, label, groups, saved_at, words: told }, ...others].slice(0, 60));
  await keep("last", {
    spot,
    water: form.querySelector("[data-spot-water]").textContent.trim(),
    saved_at,
    fields: entry.fields.filter(([name, value]) => names.includes(name) && value),
  });
}

/* The looks of this visit at a spot that this phone made, the latest first. */
export async function looksHere(spot) {
  const since = Date.now() - VISIT_MS;
  const recent = (await recall("recent").catch(() => null)) ?? [];
  return recent.filter((one) => one.spot === spot && one.groups.length && Date.parse(one.saved_at) > since);
}

/* What the trip's last look carries to one on the same water. */
export async function carriedOn(water) {
  const last = await recall("last");
  if (!last || Date.parse(last.saved_at) < Date.now() - TRIP_MS) return [];
  return last.water === water ? last.fields : last.fields.filter(([name]) => name === "method");
}

export function fill(form, fields) {
  for (const [name, value] of fields) {
    const found = form.elements[name];
    if (found && !(found instanceof HTMLInputElement && found.type === "file")) found.value = value;
  }
  form.dispatchEvent(new Event("input", { bubbles: true }));
  form.dispatchEvent(new Event("change", { bubbles: true }));
}
