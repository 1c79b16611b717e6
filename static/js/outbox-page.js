/* On every page: a member's outbox; to anybody else, nothing of what this phone kept for who was signed in.

A page that came from the server to nobody says that the session has ended: its places go, what waits stays.
*/

async function forgetWhoLeft() {
  // Nothing was ever kept here: nothing to load, and no empty store to make.
  if (indexedDB.databases && !(await indexedDB.databases()).some(({ name }) => name === "tallow")) return;
  const { forgetPlaces } = await import("./store.js");
  await forgetPlaces();
}

if (document.body.dataset.member) import("./outbox-member.js");
else forgetWhoLeft().catch(() => {});
