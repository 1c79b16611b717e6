/* The log page in a hurry, and the checker's keys. Everything here works without this script too. */

/* ---- Sealing a look: posted by script, so that nothing typed or chosen is lost when it fails. */

import { askToBlackOut } from "./black-out.js";
import { clearErrors, entryOf, rememberLook, showErrors } from "./log-form.js";
import { newId, send, standing } from "./outbox.js";
import { SHELL, SHELL_PAGE, remove } from "./store.js";

const form = document.querySelector("form[data-log]");

const remember = (key, value) => {
  try {
    sessionStorage.setItem(key, value);
  } catch {
    /* A private window may keep nothing; the server still knows the look by its number. */
  }
};

const recall = (key) => {
  try {
    return sessionStorage.getItem(key);
  } catch {
    return null;
  }
};

const method = () => form.elements.method.value;
const proving = () => method() === "camera" || method() === "rod";

function startClock() {
  const minutes = form.elements.minutes;
  const note = form.querySelector("[data-clock]");
  let began = null;
  let own = minutes.value !== "";

  const elapsed = () => Math.max(1, Math.ceil((Date.now() - began) / 60000));
  const tick = () => {
    if (own || began === null || !proving()) return;
    minutes.value = String(elapsed());
    form.elements.at.value = new Date(began).toISOString();
    rodHours();
  };
  const start = () => {
    if (!proving() || began !== null) return;
    began = Date.now();
    if (!own) {
      note.hidden = false;
      const time = new Date(began).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
      note.textContent = `Counting since ${time}; type over it if it was longer.`;
    }
    tick();
  };
  minutes.addEventListener("input", () => {
    own = minutes.value.trim() !== "";
    note.hidden = own;
    rodHours();
  });
  form.addEventListener("change", start);
  setInterval(tick, 5000);
  start();
}

function rodHours() {
  const out = form.querySelector("[data-rod-hours]");
  const number = (name) => Number.parseFloat(form.elements[name].value.replace(",", "."));
  const hours = (number("lines") * number("minutes")) / 60;
  out.textContent = Number.isFinite(hours) ? `${hours.toFixed(2)} rod-hours` : "Rod-hours are lines times minutes.";
}

/* The advice on fish from deep water shows once a landing is as deep as that, or has no depth yet. */
function care() {
  const box = form.querySelector("[data-care]");
  const metric = !/, ft$/.test(form.querySelector('label[for="id_f0-depth"]').textContent.trim());
  const depths = [...form.querySelectorAll('[name$="-depth"][name^="f"]')]
    .map((input) => Number.parseFloat(input.value.replace(",", ".")) * (metric ? 1 : 0.3048))
    .filter(Number.isFinite);
  box.hidden = !depths.some((depth) => depth >= Number(box.dataset.deep));
}

function conditionsInWords() {
  const words = form.querySelector("[data-conditions-words]");
  const carried = words.textContent.trim();
  const told = [];
  const say = (name, before, after) => {
    const value = form.elements[name].value.trim();
    if (value) told.push(`${before}${value}${after}`);
  };
  const unit = (name) => form.querySelector(`label[for="id_${name}"]`).textContent.split(", ").pop().trim();
  say("water_temp", "", ` ${unit("water_temp")}`);
  say("secchi", "seen to ", ` ${unit("secchi")}`);
  if (form.elements.clarity.value) told.push(form.elements.clarity.value);
  if (told.length) words.textContent = `: ${told.join(", ")}${carried ? " (carried on)" : ""}`;
}

function say(words) {
  const status = form.querySelector("[data-status]");
  status.textContent = words;
}

/* Put the look into the phone's outbox, so that nothing can lose it, and try to send it at once. */
async function seal() {
  if (form.dataset.sending) return;
  form.dataset.sending = "yes";
  const bar = form.querySelector(".log-save");
  bar.dataset.sending = "";
  if (!form.elements.at.value) form.elements.at.value = new Date().toISOString();
  say("Sending…");
  const progress = ({ detail }) => {
    if (detail.look === form.elements.look.value) say(`Sending picture ${detail.now} of ${detail.of}…`);
  };
  addEventListener("outbox-picture", progress);
  try {
    const entry = await entryOf(form);
    const left = await send(entry).catch((error) => {
      if (error instanceof TypeError || error instanceof ReferenceError) throw error;
      return null;
    });
    if (left === null) await sendStraight();
    else await follow(entry, left);
  } finally {
    removeEventListener("outbox-picture", progress);
    delete form.dataset.sending;
    delete bar.dataset.sending;
  }
}

/* Go on from what became of the look. */
async function follow(entry, left) {
  if (left?.state === "needs" && !left.stands) {
    await remove(entry.look);
    say("Not saved yet.");
    showErrors(form, left.errors);
    return;
  }
  await rememberLook(form, entry);
  remember(`sealed ${entry.look}`, "yes");
  if (!left || left.stands) location.assign(`/log/${entry.look}/`);
  else if (navigator.serviceWorker?.controller && (await caches.match(SHELL_PAGE, { cacheName: SHELL })))
    location.assign(`${SHELL_PAGE}?queued=${entry.look}`);
  else if (standing === "signed out") say("Kept on this phone: you are signed out. Sign in in another window; it goes out then.");
  else say("No signal: kept on this phone. It goes out by itself when there is one.");
}

/* Where the browser keeps nothing: the whole form at once, as without this script. */
async function sendStraight() {
  try {
    const answer = await fetch(form.action, {
      method: "POST",
      body: new FormData(form),
      headers: { Accept: "application/json" },
      credentials: "same-origin",
    });
    if (answer.ok && answer.headers.get("Content-Type")?.startsWith("application/json")) {
      remember(`sealed ${form.elements.look.value}`, "yes");
      location.assign((await answer.json()).url);
    } else if (answer.status === 422) {
      say("Not saved yet.");
      showErrors(form, (await answer.json()).errors);
    } else if (answer.redirected) {
      say("Not saved: you are signed out. Sign in in another window, then seal again.");
    } else {
      say(`Not saved: the server answered ${answer.status}. Nothing is lost; seal again in a while.`);
    }
  } catch {
    say("Not sent: no signal. This browser keeps nothing: leave the page open, and seal again when there is.");
  }
}

/* Coming back to a look that was sealed, the page is for another one: it needs a number of its own. */
function renew() {
  const look = form.elements.look;
  delete form.dataset.sending;
  delete form.querySelector(".log-save").dataset.sending;
  if (recall(`sealed ${look.value}`)) {
    look.value = newId();
    for (const group of form.querySelectorAll("[name$=-id]")) group.value = "";
    form.elements.at.value = "";
  }
}

if (form) {
  askToBlackOut(form);
  startClock();
  rodHours();
  care();
  conditionsInWords();
  form.addEventListener("input", () => {
    rodHours();
    care();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    clearErrors(form);
    seal();
  });
  addEventListener("pageshow", renew);
}

/* ---- Finding a spot by name, as it is typed. */

const search = document.querySelector("form[data-spot-search]");

if (search) {
  const list = document.querySelector("[data-spot-list]");
  let waits = 0;
  let asked = "";
  const find = async () => {
    const text = search.elements.q.value.trim();
    if (text === asked) return;
    asked = text;
    const answer = await fetch(`${search.action}?q=${encodeURIComponent(text)}`, {
      headers: { "X-Requested-With": "fetch" },
      credentials: "same-origin",
    }).catch(() => null);
    if (answer?.ok && text === asked) {
      const part = new DOMParser().parseFromString(await answer.text(), "text/html");
      list.replaceChildren(...part.body.childNodes);
    }
  };
  search.elements.q.addEventListener("input", () => {
    clearTimeout(waits);
    waits = setTimeout(find, 200);
  });
}

/* ---- A checker's keys: they count only while the choices have the focus. */

for (const keyed of document.querySelectorAll("form[data-keys]")) {
  const choices = keyed.querySelector(".choices");
  choices.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    if (event.key === "Enter") {
      event.preventDefault();
      if (choices.querySelector(":checked")) keyed.requestSubmit();
      return;
    }
    const back = event.key.toLowerCase() === "u" && document.querySelector("form[data-undo]");
    if (back && !choices.querySelector('[data-key="u"]')) {
      event.preventDefault();
      back.requestSubmit();
      return;
    }
    const choice = choices.querySelector(`[data-key="${CSS.escape(event.key.toLowerCase())}"]`);
    if (!choice) return;
    event.preventDefault();
    choice.checked = true;
    choice.focus();
    if (choice.value === "rejected") keyed.elements.reason.focus();
  });
  if (matchMedia("(hover: hover)").matches) choices.querySelector("[data-first]")?.focus({ preventScroll: true });
}
