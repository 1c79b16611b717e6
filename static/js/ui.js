/* Small manners that every page shares. Every page works without them. */

/* A menu closes on Escape, on a press outside, and when another opens. */
const menus = () => document.querySelectorAll("details.menu[open]");

document.addEventListener("click", (event) => {
  for (const menu of menus()) if (!menu.contains(event.target)) menu.open = false;
});

document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  for (const menu of menus()) {
    menu.open = false;
    if (menu.contains(document.activeElement)) menu.querySelector("summary").focus();
  }
});

/* A form marked so sends itself when a choice changes; its button stays for when there is no script. */
for (const form of document.querySelectorAll("form[data-send-on-change]")) {
  form.addEventListener("change", () => form.requestSubmit());
  for (const button of form.querySelectorAll("[data-no-script]")) button.hidden = true;
}

/* A form is sent once: a second press while it is on its way does nothing. */
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post" || form.hasAttribute("data-many")) return;
  if (form.dataset.sending) event.preventDefault();
  form.dataset.sending = "yes";
});

/* Coming back by the browser's own button, the page may be the one we left: let it be sent again. */
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sending]")) delete form.dataset.sending;
});
