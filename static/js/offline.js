/* The log page without signal: which spot, what waits, and the form filled from what this phone carries. */

import { askHere } from "./camera-check.js";
import { carriedOn, fill, looksHere, showErrors } from "./log-form.js";
import * as outbox from "./outbox.js";
import { sketch } from "./offline-sketch.js";
import { askPlace, placesHere } from "./offline-here.js";
import * as store from "./store.js";

const query = new URLSearchParams(location.search);
const form = document.querySelector("form[data-offline]");
const part = (name) => document.querySelector(`[data-${name}]`);
const show = (name, shown = true) => {
  part(name).hidden = !shown;
};
const address = (values) => `${store.SHELL_PAGE}?${new URLSearchParams(values)}`;
const clock = (iso) =>
  new Date(iso).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

function element(tag, properties = {}, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children);
  return made;
}

/* ---- What waits. */

function actionsOf(entry) {
  const button = (words, does) => {
    const made = element("button", { type: "button", className: "button small", textContent: words });
    made.addEventListener("click", does);
    return made;
  };
  const drop = async () => {
    const what = entry.stands ? "the picture" : "this look";
    if (!confirm(`Delete ${what} from this phone? It was not sent.`)) return;
    if (entry.stands && entry.pictures.length > 1)
      await store.put({ ...entry, pictures: entry.pictures.slice(1), state: "waiting", errors: null });
    else await store.remove(entry.look);
    outbox.tryNow();
  };
  const made = [];
  if (entry.state === "needs" && !entry.stands)
    made.push(element("a", { className: "button small primary", href: address({ [entry.place && !entry.placed ? "here" : "entry"]: entry.look }), textContent: "Put it right" }));
  if (entry.state === "needs" && entry.stands) made.push(button("Leave the picture out", drop));
  else if (!entry.stands) made.push(button("Delete", drop));
  return made;
}

function row(entry) {
  const pictures = entry.pictures.length;
  const { key, share } = outbox.onTheWay ?? {};
  const sent = pictures && key === entry.pictures[0].key ? `, ${Math.floor(100 * share)} % of the first sent` : "";
  const about = [entry.words, pictures ? `${pictures} picture${pictures === 1 ? "" : "s"}${sent}` : "", clock(entry.saved_at)];
  const told = element("span", { className: "grow" }, element("b", { textContent: entry.label }), " ", about.filter(Boolean).join(" · "));
  if (entry.state === "needs")
    told.append(element("span", { className: "problem", textContent: `Needs you: ${Object.values(entry.errors ?? {}).flat().join(" ")}` }));
  return element("li", {}, told, element("span", { className: "actions" }, ...actionsOf(entry)));
}

function sentRow({ look, label, words, saved_at }) {
  const told = element("span", { className: "grow" }, element("b", { textContent: label }), " ", `${words} · ${clock(saved_at)}`);
  return element("li", {}, told, element("a", { className: "button small", href: `/log/${look}/`, textContent: "See it" }));
}

async function showWaiting() {
  const mine = (await store.all()).filter((entry) => entry.member === outbox.member);
  part("waiting-list").replaceChildren(...mine.map(row));
  // On the other pages the strip under the head tells of it.
  show("waiting", mine.length > 0 && query.has("waiting"));
  const sent = ((await store.recall("sent")) ?? []).filter((one) => one.member === outbox.member);
  show("sent", query.has("waiting") && (sent.length > 0 || !mine.length));
  part("sent-list").replaceChildren(...sent.map(sentRow));
  const words = { "no signal": "No signal just now; it tries again by itself.", "signed out": "You are signed out: sign in again to send." };
  part("standing").textContent = mine.length ? (words[outbox.standing] ?? "") : "";
}

async function showQueued(look) {
  const recent = ((await store.recall("recent")) ?? []).find((one) => one.look === look);
  if (!recent) return false;
  const entry = await store.read(look);
  part("queued-label").textContent = recent.label;
  part("queued-words").textContent = recent.words;
  if (!entry) part("queued-told").textContent = "It has been sent since.";
  for (const method of ["camera", "rod"]) {
    const link = document.querySelector(`[data-prove="${method}"]`);
    link.hidden = !recent.groups.length;
    if (recent.groups.length) link.href = address({ spot: recent.spot, method, settles: recent.groups[0].id });
  }
  const onward = { spot: recent.spot, method: "camera" };
  if (recent.groups.length === 1) onward.settles = recent.groups[0].id;
  await askHere(part("check"), look, store, address(onward));
  part("again").href = address({ spot: recent.spot });
  part("take-back").hidden = !entry || entry.stands;
  part("take-back").onclick = async () => {
    const now = await store.read(look);
    if (!now || now.stands) {
      location.assign(`/log/${look}/`);
      return;
    }
    await store.remove(look);
    await store.keep("recent", ((await store.recall("recent")) ?? []).filter((one) => one.look !== look));
    location.assign(address({ choose: "" }));
  };
  show("queued");
  return true;
}

/* ---- Which spot. */

const EARTH_M = 6371008.8;

/* Metres along a sphere: good to half a per cent, which is enough to put the nearest first. */
function metres([lon, lat], here) {
  const rad = Math.PI / 180;
  const a = Math.sin(((lat - here.latitude) * rad) / 2) ** 2;
  const b = Math.cos(lat * rad) * Math.cos(here.latitude * rad) * Math.sin(((lon - here.longitude) * rad) / 2) ** 2;
  return 2 * EARTH_M * Math.asin(Math.sqrt(a + b));
}

function spotRow(spot, waters, here) {
  const far = here && spot.point ? metres(spot.point, here) : null;
  const distance = far === null ? "" : far < 1000 ? `${Math.round(far)} m, ` : `${(far / 1000).toFixed(1)} km, `;
  const where = element("span", {}, distance, element("em", { textContent: waters.get(spot.water)?.name ?? "" }));
  return element("li", {}, element("a", { href: address({ spot: spot.id }) }, element("b", { textContent: spot.label }), where));
}

function chooser(places) {
  const waters = new Map((places?.waters ?? []).map((water) => [water.id, water]));
  const spots = places?.spots ?? [];
  let here = null;
  const list = () => {
    const text = part("find").value.trim().toLowerCase();
    const far = (spot) => (here && spot.point ? metres(spot.point, here) : Infinity);
    const found = spots
      .filter((spot) => spot.label.toLowerCase().includes(text))
      .sort((one, other) => far(one) - far(other) || one.label.localeCompare(other.label));
    part("spots").replaceChildren(...found.slice(0, 60).map((spot) => spotRow(spot, waters, here)));
    const shown = waters.get(found[0]?.water);
    const drawn = sketch(shown, found.filter((spot) => spot.water === shown?.id), here, address);
    part("sketch").replaceChildren(...(drawn ? [drawn] : []));
  };
  part("find").addEventListener("input", list);
  part("nearest").addEventListener("click", () => {
    const told = part("nearest-told");
    told.textContent = "Waiting for a position…";
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        here = coords;
        told.textContent = `Within ${Math.round(coords.accuracy)} m. It stays on this phone.`;
        list();
      },
      (error) => {
        told.textContent = `No position: ${error.message || "not allowed"}.`;
      },
      { enableHighAccuracy: true, timeout: 20000 },
    );
  });
  show("no-spots", !spots.length);
  show("choose");
  list();
  carrying(places);
}

/* ---- Carrying what others share, by choice. */

function carrying(places) {
  const box = part("carry");
  if (!navigator.onLine || !places?.waters.length) return;
  box.hidden = false;
  box.elements.water.replaceChildren(...places.waters.map((water) => element("option", { value: water.id, textContent: water.name })));
  const name = (key) => places.waters.find((water) => water.id === key)?.name ?? "";
  const drop = (one) => {
    const made = element("button", { type: "button", className: "button small", textContent: "Forget now" });
    made.addEventListener("click", async () => {
      await store.keep("carried", ((await store.recall("carried")) ?? []).filter((other) => other.water !== one.water));
      location.reload();
    });
    return made;
  };
  part("carried").replaceChildren(
    ...places.carried.map((one) => element("li", {}, element("span", {}, `${name(one.water)}: ${one.spots.length} spots, until ${clock(one.expires_at)} `), drop(one))),
  );
  box.addEventListener("submit", async (event) => {
    event.preventDefault();
    const told = part("carry-told");
    try {
      const hello = await outbox.told(await outbox.ask("/log/hello/"));
      const body = new FormData(box);
      body.set("csrfmiddlewaretoken", hello.csrf);
      const answer = await outbox.ask("/log/carry/", { method: "POST", body });
      const carried = await outbox.told(answer);
      if (!answer.ok || carried.member !== outbox.member) throw new Error("refused");
      const others = ((await store.recall("carried")) ?? []).filter((one) => one.water !== carried.water);
      await store.keep("carried", [...others, carried]);
      location.reload();
    } catch {
      told.textContent = "Not now: it needs a signal and your sign-in.";
    }
  });
}

/* ---- The form at one spot. */

function radio(name, value, words) {
  return element("label", {}, element("input", { type: "radio", name, value }), element("span", { textContent: words }));
}

async function openForm(spot, waters, entry) {
  const water = waters.get(spot.water)?.name ?? "";
  form.elements.spot.value = spot.id;
  form.elements.look.value = entry?.look ?? outbox.newId();
  if (spot.place) form.dataset.place = JSON.stringify(spot.place);
  part("spot-label").textContent = spot.label;
  part("spot-water").textContent = water;
  document.title = `Log a look · ${spot.label} · Tallow`;
  document.querySelector("#scope-field > div").replaceChildren(...spot.scopes.map(([value, words]) => radio("scope", value, words)));
  const here = await looksHere(spot.id);
  const groups = here.length ? here[0].groups : [];
  const settles = part("settles");
  for (const group of groups) {
    const line = radio("settles", group.id, group.words);
    line.className = "check";
    settles.append(line);
  }
  settles.hidden = !groups.length;
  for (const tie of form.querySelectorAll('[id$="-tie-field"]')) tie.hidden = !groups.length;
  const start = [["scope", spot.scope], ...(await carriedOn(water))];
  if (groups.length === 1) start.push(["settles", groups[0].id]);
  for (const name of ["method", "settles"]) if (query.get(name)) start.push([name, query.get(name)]);
  form.hidden = false;
  fill(form, entry ? entry.fields : start);
  if (entry?.errors) showErrors(form, entry.errors);
}

/* ---- Which of these this address asks for. */

async function begin() {
  await route();
  document.documentElement.dataset.began = "yes";
}

async function route() {
  show("needs-signal", !location.pathname.startsWith("/log/"));
  store.watch(showWaiting);
  part("try").addEventListener("click", outbox.tryNow);
  await showWaiting();
  if (query.has("waiting")) return;
  const places = await store.places();
  const waters = new Map((places?.waters ?? []).map((water) => [water.id, water]));
  const refused = query.get("here") ? await store.read(query.get("here")) : null;
  if (query.has("here")) {
    askPlace(part("here"), refused?.place, refused?.errors, async (place) => {
      // Every look that waits at this place has it put right.
      for (const one of refused ? await store.all() : [])
        if (one.place?.id === place.id && !one.placed)
          await store.put({ ...one, place, label: place.label, state: "waiting", errors: null });
      if (refused) outbox.tryNow();
      location.assign(refused ? address({ waiting: "" }) : address({ spot: place.id }));
    });
    return;
  }
  const entry = query.get("entry") ? await store.read(query.get("entry")) : null;
  const wanted = entry?.spot ?? (location.pathname.startsWith("/log/") ? query.get("spot") : null);
  const known = [...(places?.spots ?? []), ...(await placesHere(outbox.member))];
  const spot = known.find((one) => one.id === wanted) ?? (entry && { id: entry.spot, label: entry.label, scopes: [] });
  if (spot) await openForm(spot, waters, entry);
  else if (!(query.get("queued") && (await showQueued(query.get("queued"))))) chooser(places);
}

begin();
