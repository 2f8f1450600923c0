// Keeps the host's overview fresh, and puts the cursor into the first cell to key.
"use strict";
(function () {
  const words = JSON.parse(document.currentScript.dataset.words);
  const area = document.getElementById("progress");
  const news = document.getElementById("news");
  const said = document.getElementById("fresh");
  const wrong = document.querySelector("[aria-invalid]");
  const cell = wrong || document.querySelector("input.cell");
  if (cell) { cell.focus(); cell.select(); }
  const grid = document.querySelector("form.grid");
  if (grid) {
    let keyed = Boolean(wrong);
    grid.addEventListener("input", () => { keyed = true; });
    grid.addEventListener("submit", () => { keyed = false; });
    grid.addEventListener("keydown", (event) => {  // in a comment too, as the page says
      if (event.key === "Enter" && !event.shiftKey && !event.isComposing && event.target.tagName === "TEXTAREA") {
        event.preventDefault();
        grid.requestSubmit();
      }
    });
    addEventListener("beforeunload", (event) => { if (keyed) event.preventDefault(); });
  }
  if (!area) return;

  const time = () => new Date().toLocaleTimeString(document.documentElement.lang);
  let shown = area.innerHTML.trim(), draft = document.createElement("template"), asOf = time();
  const name = (element) => element.getAttribute("href") || element.ariaLabel || element.textContent;

  // What has the focus keeps it, a button that is pressed stays, and a table where it was scrolled to.
  function show(text) {
    draft.innerHTML = text.trim();
    if (draft.innerHTML === shown || area.querySelector(":active")) return;
    const held = area.contains(document.activeElement) && name(document.activeElement);
    const across = [...area.querySelectorAll(".scroll")].map((table) => table.scrollLeft);
    area.innerHTML = shown = draft.innerHTML;
    area.querySelectorAll(".scroll").forEach((table, k) => { table.scrollLeft = across[k] || 0; });
    const focusable = [...area.querySelectorAll("a, button, [tabindex]")];
    if (held) focusable.find((element) => name(element) === held)?.focus({ preventScroll: true });
  }

  async function renew() {
    if (!document.hidden) {
      try {
        const reply = await fetch(area.dataset.from);
        if (!reply.ok) throw new Error(String(reply.status));
        const text = await reply.text();
        if (/^\s*<!doctype/i.test(text)) return location.reload();  // it was closed elsewhere
        show(text);
        asOf = time();
        said.hidden = true;
      } catch {
        said.textContent = words.no_answer.replace("{time}", asOf);
        said.hidden = false;
      }
      news.textContent = words.as_of.replace("{time}", asOf);
    }
    setTimeout(renew, 3000);
  }
  renew();
  document.addEventListener("visibilitychange", () => { if (!document.hidden) news.textContent = ""; });
})();
