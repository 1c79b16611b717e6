/* "Use where this phone is": fills the position field from the phone's own receiver. Nothing leaves the page. */
const button = document.querySelector("[data-use-position]");
const told = document.querySelector("[data-position-told]");
if (button && navigator.geolocation) {
  button.hidden = false;
  button.addEventListener("click", () => {
    told.textContent = "Waiting for a position…";
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        document.getElementById(button.dataset.usePosition).value =
          `${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`;
        const form = button.form;
        if (form?.elements.fixed) {
          form.elements.fixed.value = document.getElementById(button.dataset.usePosition).value;
          form.elements.accuracy.value = String(Math.round(coords.accuracy));
        }
        told.textContent = `Within ${Math.round(coords.accuracy)} m.`;
      },
      (error) => { told.textContent = `No position: ${error.message || "not allowed"}. Type it instead.`; },
      { enableHighAccuracy: true, timeout: 20000 },
    );
  });
}
