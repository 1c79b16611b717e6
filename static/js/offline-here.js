/* A place that is no spot yet, without signal: kept on this phone, and made a spot when its first look is sent. */

import { newId } from "./outbox.js";
import { keep, recall } from "./store.js";

const KEPT_MS = 2 * 86_400_000;

/* The places made here lately, as spots of the member's own. */
export async function placesHere(member) {
  const since = Date.now() - KEPT_MS;
  const scope = `member:${member}`;
  return ((await recall("here")) ?? [])
    .filter((place) => Date.parse(place.made_at) > since)
    .map((place) => ({ id: place.id, label: place.label, water: "", point: null, scopes: [[scope, "only you"]], scope, place }));
}

/* Show the form; `onward(place)` once it says enough. `before` is a place that the server refused, to be put right. */
export function askPlace(box, before, errors, onward) {
  const form = box.querySelector("form");
  const set = (name, value) => {
    form.elements[name].value = value;
  };
  for (const [name, value] of before?.fields ?? []) if (form.elements[name]) set(name, value);
  if (!before) set("how", "here");
  const say = (name, words) => {
    const place = form.querySelector(`[data-error="${CSS.escape(name)}"]`);
    if (!place) return;
    place.textContent = words;
    place.hidden = !words;
  };
  for (const [name, words] of Object.entries(errors ?? {})) say(name, words.join(" "));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const bearing = form.elements.how.value === "bearing";
    const missing = ["position", ...(bearing ? ["bearing", "range"] : [])].filter((name) => !form.elements[name].value.trim());
    for (const name of ["position", "bearing", "range"])
      say(name, missing.includes(name) ? "Without this nobody could find the place again." : "");
    if (missing.length) {
      form.elements[missing[0]].focus();
      return;
    }
    const id = before?.id ?? newId();
    const now = new Date().toLocaleString("en-GB", { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });
    if (!form.elements.name.value.trim()) set("name", `Point, ${now.replace(",", "")}`);
    set("id", id);
    const place = { id, label: form.elements.name.value.trim(), fields: [...new FormData(form)], made_at: new Date().toISOString() };
    const others = ((await recall("here")) ?? []).filter((one) => one.id !== id);
    await keep("here", [place, ...others].slice(0, 40));
    await onward(place);
  });
  box.hidden = false;
}
