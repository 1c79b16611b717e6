/* Sends what waits on this phone, in order, each once; and keeps the phone ready for when there is no signal.

   A look goes first, then its pictures one by one. Each is named by the phone, so that one whose answer was lost
   is the same one when it is sent again. An entry leaves the phone only after the server has said that it stands.
*/

import * as store from "./store.js";

export const member = document.body.dataset.member;
const SEALED_THERE_MS = 60_000; // later than this the phone, not the server, saw the seal
const LONGEST_WAIT_MS = 60_000;
const FAILURES_BORNE = 5;
const PART = 256 * 1024;

/* The large picture that is being sent: its key, and how much of it the server has, 0 to 1. */
export let onTheWay = null;

class NoSignal extends Error {}
/* The server itself failed with this one; another may go through. */
class Failed extends NoSignal {}
class SignedOut extends Error {}

export async function ask(url, options = {}, longest = 20_000) {
  let answer;
  try {
    answer = await fetch(url, {
      credentials: "same-origin",
      signal: AbortSignal.timeout(longest),
      ...options,
      headers: { Accept: "application/json", ...options.headers },
    });
  } catch {
    throw new NoSignal();
  }
  if (answer.redirected || answer.status === 401 || answer.status === 403) throw new SignedOut();
  // A proxy or a server that is not itself just now: the same as no signal.
  const isJson = answer.headers.get("Content-Type")?.includes("json");
  if (answer.status === 500 || (answer.status > 500 && isJson)) throw new Failed(answer.status);
  if (answer.status > 500 || answer.status === 429) throw new NoSignal();
  return answer;
}

export async function told(answer) {
  try {
    return await answer.json();
  } catch {
    // Cut off on the way, or a page where there should be words: asked again, it will be the same.
    if (answer.ok || answer.headers.get("Content-Type")?.includes("json")) throw new NoSignal();
    return { errors: { page: [`The server answered ${answer.status}.`] } };
  }
}

async function post(url, fields, csrf, longest) {
  const body = new FormData();
  for (const [name, value, file] of fields) {
    if (file === undefined) body.append(name, value);
    else body.append(name, value, file);
  }
  body.set("csrfmiddlewaretoken", csrf);
  const answer = await ask(url, { method: "POST", body }, longest);
  const words = await told(answer);
  return { ok: answer.ok, words, errors: answer.ok ? null : (words.errors ?? { page: [`The server answered ${answer.status}.`] }) };
}

/* The server will not have it as it is: it stays here, with the reasons. */
async function needsYou(entry, errors) {
  await store.put({ ...entry, state: "needs", errors });
  return false;
}

/* A large picture goes in parts, so that a link that breaks costs one of them: it goes on where the server has it. */
async function sendPicture(url, picture, csrf) {
  const { blob, name, species } = picture;
  if (blob.size <= PART) return post(url, [["picture", blob, name], ["species", species]], csrf, 120_000);
  const headers = { "X-CSRFToken": csrf, "Content-Type": "application/octet-stream" };
  let { have } = await told(await ask(`${url}parts/`));
  for (let turns = 0; have < blob.size; turns += 1) {
    onTheWay = { key: picture.key, share: have / blob.size };
    store.tell();
    const body = blob.slice(have, have + PART);
    const answer = await ask(`${url}parts/?at=${have}&of=${blob.size}`, { method: "POST", body, headers }, 60_000);
    const words = await told(answer);
    if (!answer.ok && answer.status !== 409) return { ok: false, errors: words.errors };
    // Two windows at it, or a server that forgot: begin again later.
    if (turns > 2 * (blob.size / PART) + 10) throw new NoSignal();
    have = words.have;
  }
  onTheWay = null;
  const sent = await post(url, [["parts", blob.size], ["name", name], ["species", species]], csrf, 120_000);
  if (sent.words.have !== undefined) throw new NoSignal();
  return sent;
}

/* Send one entry as far as it goes; true when all of it stands on the server. */
async function deliver(entry, csrf) {
  if (entry.place && !entry.placed) {
    // A place that is no spot yet: it becomes one, the same each time that it is sent.
    const { ok, words, errors } = await post("/log/here/", entry.place.fields, csrf);
    if (!ok) return needsYou(entry, errors);
    const spot = new URL(words.url, location.href).searchParams.get("spot");
    entry.fields = entry.fields.map(([name, value]) => [name, name === "spot" ? spot : value]);
    entry.placed = true;
    await store.put(entry);
  }
  if (!entry.stands) {
    const fields = [...entry.fields];
    if (Date.now() - Date.parse(entry.saved_at) > SEALED_THERE_MS)
      fields.push(["sealed_at", entry.saved_at], ["sent_at", new Date().toISOString()]);
    const { ok, errors } = await post("/log/", fields, csrf);
    if (!ok) return needsYou(entry, errors);
    entry.stands = true;
    await store.put(entry);
  }
  entry.shots = Math.max(entry.shots ?? 0, entry.pictures.length);
  while (entry.pictures.length) {
    const [picture, ...rest] = entry.pictures;
    const detail = { look: entry.look, now: entry.shots - rest.length, of: entry.shots };
    dispatchEvent(new CustomEvent("outbox-picture", { detail }));
    const { ok, errors } = await sendPicture(`/log/${entry.look}/pictures/${picture.key}/`, picture, csrf);
    if (!ok) return needsYou(entry, errors);
    entry.pictures = rest;
    await store.put(entry);
  }
  await store.remove(entry.look);
  await noteSent(entry);
  return true;
}

/* One look on which the server fails again and again keeps no other waiting, and is shown. */
async function noteFailure(entry, status) {
  entry.failures = (entry.failures ?? 0) + 1;
  if (entry.failures < FAILURES_BORNE || status !== "500") await store.put(entry);
  else await needsYou(entry, { page: [`The server failed with this one (${status}), ${entry.failures} times.`] });
}

async function noteSent(entry) {
  const sent = (await store.recall("sent")) ?? [];
  const { look, label, words, saved_at } = entry;
  await store.keep("sent", [{ look, label, words, saved_at, member: entry.member }, ...sent].slice(0, 20));
}

let retry = null;
let pause = 2000;

function later() {
  clearTimeout(retry);
  retry = setTimeout(flush, pause);
  pause = Math.min(pause * 2, LONGEST_WAIT_MS);
}

/* Why the last try stopped: nothing, `no signal` or `signed out`. */
export let standing = "";

/* Send everything that waits; one window of this phone does it at a time. */
export async function flush() {
  clearTimeout(retry);
  const once = async () => {
    const kept = await store.all();
    const mine = kept.filter((entry) => entry.member === member && entry.state === "waiting");
    if (!member || !mine.length) return;
    try {
      const hello = await told(await ask("/log/hello/"));
      if (hello.member !== member) throw new SignedOut();
      const stuck = new Set(kept.filter((one) => one.state === "needs" && !one.stands).map((one) => one.look));
      let failed = false;
      for (const entry of mine) {
        // A proof waits for the look whose echoes it settles.
        if (entry.after && stuck.has(entry.after)) continue;
        const whole = await deliver(entry, hello.csrf).catch(async (error) => {
          if (!(error instanceof Failed)) throw error;
          failed = true;
          await noteFailure(entry, error.message);
          return false;
        });
        if (!whole && !entry.stands) stuck.add(entry.look);
      }
      standing = failed ? "no signal" : "";
      if (failed) later();
      else pause = 2000;
    } catch (error) {
      if (error instanceof SignedOut) standing = "signed out";
      else if (error instanceof NoSignal) standing = "no signal";
      else throw error;
      if (standing === "no signal") later();
    }
    store.tell();
  };
  if (navigator.locks) await navigator.locks.request("tallow-outbox", once);
  else await once();
}

/* Put a look into the outbox and try it at once; what is left of it here, or nothing when all of it stands. */
export async function send(entry) {
  const before = await store.read(entry.look);
  if (!before?.stands) await store.put({ ...entry, order: before?.order, member, state: "waiting", stands: false });
  navigator.storage?.persist?.().catch(() => {});
  await flush();
  return store.read(entry.look);
}

/* A random id for a look or a picture; older phones make it by hand. */
export const newId = () =>
  crypto.randomUUID
    ? crypto.randomUUID()
    : "10000000-1000-4000-8000-100000000000".replace(/[018]/g, (c) =>
        (+c ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (+c / 4)))).toString(16),
      );

/* A signal is back, or somebody asks: try at once. */
export function tryNow() {
  pause = 2000;
  return flush();
}
