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

/* Say whether the filled-in log page's look will be asked for, when it is sealed as it is made. */
export function asksFor(form) {
  const { key, odds } = form.querySelector("[data-camera-check]").dataset;
  const now = !form.elements.when.value;
  return now && SONAR.includes(form.elements.method.value)
    ? drawn(key, form.elements.look.value, Number(odds))
    : Promise.resolve(false);
}
