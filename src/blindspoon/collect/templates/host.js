// Keeps the host's overview fresh, and puts the cursor into the first cell to key.
"use strict";
(function () {
  const area = document.getElementById("progress");
  const said = document.getElementById("fresh");
  const wrong = document.querySelector("[aria-invalid], td.wrong input");
  const cell = wrong || document.querySelector("input.cell");
  if (cell) { cell.focus(); cell.select(); }
  const grid = document.querySelector("form.grid");
  if (grid) {
    let keyed = Boolean(wrong);
    grid.addEventListener("input", () => { keyed = true; });
    grid.addEventListener("submit", () => { keyed = false; });
    addEventListener("beforeunload", (event) => { if (keyed) event.preventDefault(); });
  }
  if (!area) return;

  async function renew() {
    if (!document.hidden && !area.contains(document.activeElement)) {
      try {
        const reply = await fetch(area.dataset.from);
        if (!reply.ok) throw new Error(String(reply.status));
        const text = await reply.text();
        if (!area.contains(document.activeElement)) area.innerHTML = text;
        said.textContent = "";
      } catch {
        said.textContent = "The score page does not answer. Is it still running?";
      }
    }
    setTimeout(renew, 3000);
  }
  setTimeout(renew, 3000);
})();
