/* The draw of the camera check, as the server draws it (observations/camera_check.py): it works without signal. */

const BYTES = 6;

/* Say whether a look is drawn. `key` is the member's 64 hex digits, `odds` from 0 to 1. */
export async function drawn(key, look, odds) {
  const bytes = Uint8Array.from(key.match(/../g), (pair) => Number.parseInt(pair, 16));
  const hmac = { name: "HMAC", hash: "SHA-256" };
  const made = await crypto.subtle.importKey("raw", bytes, hmac, false, ["sign"]);
  const code = new Uint8Array(await crypto.subtle.sign("HMAC", made, new TextEncoder().encode(look.toLowerCase())));
  let number = 0;
  for (const byte of code.subarray(0, BYTES)) number = number * 256 + byte;
  return number < odds * 256 ** BYTES;
}

const SONAR = ["2d", "down", "side", "forward"];

/* Say whether a look will be asked for, from the fields that the log page sends. The page holds the key. */
export async function asksFor(fields) {
  const said = Object.fromEntries(fields);
  if (said.when || !SONAR.includes(said.method)) return false;
  const { key, odds } = document.querySelector("[data-camera-check]").dataset;
  return drawn(key, said.look, Number(odds));
}

/* Ask about a look that waits on this phone; the answer goes out with it. `read` and `put` are the phone's store. */
export async function askHere(box, look, { read, put }, onward) {
  const entry = await read(look);
  const said = new Map(entry?.fields ?? []).get("check") ?? "";
  box.hidden = !entry || entry.stands || !(await asksFor(entry.fields));
  box.querySelector("[data-check-told]").hidden = said !== "refused";
  for (const button of box.querySelectorAll("[data-answer]")) {
    button.onclick = async () => {
      const { answer } = button.dataset;
      const now = await read(look);
      // Sent meanwhile: the server's own page of the look asks.
      if (!now || now.stands) return location.assign(`/log/${look}/`);
      await put({ ...now, fields: [...now.fields.filter(([name]) => name !== "check"), ["check", answer]] });
      if (answer === "will") location.assign(onward);
      else box.querySelector("[data-check-told]").hidden = false;
    };
  }
}
