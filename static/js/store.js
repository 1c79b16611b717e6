/* What this phone keeps: looks that wait to be sent, and the places it carries for when there is no signal. */

const NAME = "tallow";
const PLACES = ["pack", "carried", "recent", "last", "sent", "here"];
export const SHELL = "tallow-shell";
export const SHELL_PAGE = "/log/offline/";

let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("outbox", { keyPath: "look" });
      asked.result.createObjectStore("kept");
    };
    asked.onsuccess = () => {
      asked.result.onversionchange = () => {
        asked.result.close();
        opened = null;
      };
      resolve(asked.result);
    };
    asked.onerror = () => reject(asked.error);
  }).catch((error) => {
    opened = null;
    throw error;
  });
  return opened;
}

/* One transaction, told to be done only when it is on the disk. `work(store)` returns a request or nothing. */
async function run(store, mode, work) {
  const db = await database();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(store, mode, { durability: "strict" });
    const request = work(transaction.objectStore(store));
    transaction.oncomplete = () => resolve(request?.result);
    transaction.onabort = transaction.onerror = () => reject(transaction.error);
  });
}

const news = "BroadcastChannel" in self ? new BroadcastChannel(NAME) : null;
const listeners = new Set();

export function tell() {
  news?.postMessage("changed");
  for (const heard of listeners) heard();
}

/* Call `heard` whenever what waits has changed, in this window or another. */
export function watch(heard) {
  listeners.add(heard);
  news?.addEventListener("message", heard);
}

/* What waits, in the order in which it was saved here. */
export async function all() {
  const found = await run("outbox", "readonly", (store) => store.getAll());
  return found.sort((one, other) => one.order - other.order);
}

export const read = (look) => run("outbox", "readonly", (store) => store.get(look));

export async function put(entry) {
  const order = entry.order ?? Math.max(0, ...(await all()).map((one) => one.order)) + 1;
  await run("outbox", "readwrite", (store) => store.put({ ...entry, order }));
  tell();
}

export async function remove(look) {
  await run("outbox", "readwrite", (store) => store.delete(look));
  tell();
}

export const recall = (key) => run("kept", "readonly", (store) => store.get(key));
export const keep = (key, value) => run("kept", "readwrite", (store) => store.put(value, key));

/* What the phone may still know of places: its own pack and what was carried by choice, each until it expires. */
export async function places() {
  const [pack, carried] = [await recall("pack"), (await recall("carried")) ?? []];
  const now = new Date().toISOString();
  const left = carried.filter((one) => one.expires_at > now && one.member === pack?.member);
  if (left.length < carried.length) await keep("carried", left);
  if (!pack) return null;
  if (pack.expires_at <= now) {
    await forgetPlaces();
    return null;
  }
  const spots = new Map();
  for (const spot of [...left.flatMap((one) => one.spots), ...pack.spots]) spots.set(spot.id, spot);
  return { ...pack, spots: [...spots.values()], carried: left };
}

/* Forget every place and the page that was kept; what waits to be sent stays with its member. */
export async function forgetPlaces() {
  await run("kept", "readwrite", (store) => {
    for (const key of PLACES) store.delete(key);
  });
  await caches?.delete(SHELL);
}

/* Forget everything, also what was never sent. */
export async function forgetAll() {
  await forgetPlaces();
  await run("kept", "readwrite", (store) => store.clear());
  await run("outbox", "readwrite", (store) => store.clear());
  tell();
}
