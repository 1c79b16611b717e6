/* On every page of a member: how many looks wait on this phone, sending them, and being ready for when there is no signal. */

import * as outbox from "./outbox.js";
import * as store from "./store.js";

const FRESH_MS = 10 * 60_000;

/* How many wait, in the head of every page. */
async function show() {
  const box = document.querySelector("[data-outbox]");
  const mine = (await store.all().catch(() => [])).filter((entry) => entry.member === outbox.member);
  if (!box) return;
  const needs = mine.filter((entry) => entry.state === "needs").length;
  const waits = mine.length - needs;
  box.hidden = !mine.length;
  const words = [];
  if (waits) words.push(waits === 1 ? "1 look waits to send." : `${waits} looks wait to send.`);
  if (needs) words.push(needs === 1 ? "1 look needs you." : `${needs} looks need you.`);
  if (outbox.onTheWay) words.push(`A picture is ${Math.floor(100 * outbox.onTheWay.share)} % sent.`);
  box.querySelector("[data-outbox-words]").textContent = words.join(" ");
  box.querySelector("[data-outbox-told]").textContent =
    outbox.standing === "signed out" ? "Sign in again to send." : "Safe on this phone.";
}

/* Keep the page and the member's own spots for when there is no signal. */
async function prepare() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register("/sw.js");
  const pack = await store.recall("pack");
  if (pack && pack.member !== outbox.member) await store.forgetPlaces();
  const fresh = pack?.member === outbox.member && Date.now() - Date.parse(pack.kept_at) < FRESH_MS;
  if (fresh && (await caches.match(store.SHELL_PAGE, { cacheName: store.SHELL }))) return;
  const shell = await outbox.ask(store.SHELL_PAGE, { headers: { Accept: "text/html" } });
  const answer = await outbox.ask("/log/pack/");
  if (!shell.ok || !answer.ok) return;
  const places = await outbox.told(answer);
  if (places.member !== outbox.member) return;
  await (await caches.open(store.SHELL)).put(store.SHELL_PAGE, shell);
  await store.keep("pack", { ...places, kept_at: new Date().toISOString() });
  document.documentElement.dataset.ready = "offline";
}

/* Signing out, or leaving, wipes the phone; what was never sent is asked about first. */
function guardSignOut(form) {
  let sure = false;
  form.addEventListener("submit", async (event) => {
    if (sure) return;
    event.preventDefault();
    const mine = await store.all().catch(() => []);
    const many = mine.length === 1 ? "1 look was" : `${mine.length} looks were`;
    if (mine.length && !confirm(`${many} not sent yet. Signing out deletes what this phone keeps, these too.`)) return;
    sure = true;
    await store.forgetAll().catch(() => {});
    form.requestSubmit(event.submitter);
  });
}

for (const form of document.querySelectorAll('form[action="/sign-out/"], form[data-wipes-phone]')) guardSignOut(form);

store.watch(show);
addEventListener("online", outbox.tryNow);
document.addEventListener("visibilitychange", () => document.hidden || outbox.flush());
show();
outbox.flush();
const ready = () => prepare().catch(() => {});
if ("requestIdleCallback" in self) requestIdleCallback(ready, { timeout: 5000 });
else setTimeout(ready, 1000);
