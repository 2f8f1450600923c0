// Says what is wrong while a host types, renews a part that changes, and warns of unsaved text.
"use strict";
(function () {
  const said = document.getElementById("said");
  const byId = (id) => document.getElementById(id);

  function tell(text) { said.textContent = text; said.hidden = !text; }

  function beside(place, text) {
    const fault = byId(place + "-fault"), field = byId(place);
    if (!fault || !field) return;
    if (fault.textContent !== text) fault.textContent = text;
    fault.hidden = !text;
    if (field.matches("input, textarea, select")) {
      if (text) field.setAttribute("aria-invalid", "true"); else field.removeAttribute("aria-invalid");
    }
    (field.closest(".field, .ask") || field).classList.toggle("wrong", Boolean(text));
  }

  // A field is judged once it was left; what was judged before is judged again at every key.
  for (const form of document.querySelectorAll("form[data-check]")) {
    const seen = new Set();
    for (const fault of form.querySelectorAll(".fault:not([hidden])")) seen.add(fault.id.slice(0, -6));
    let asked = 0, waiting = 0;
    async function check() {
      const mine = ++asked;
      try {
        const reply = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "application/json" } });
        if (!reply.ok || mine !== asked) return;
        const found = await reply.json();
        for (const fault of form.querySelectorAll(".fault")) {
          const place = fault.id.slice(0, -6);
          if (seen.has(place)) beside(place, found.faults[place] || "");
        }
        for (const [id, text] of Object.entries(found.texts)) { if (byId(id)) byId(id).textContent = text; }
        if (said.dataset.gone) { delete said.dataset.gone; tell(""); }
      } catch {
        said.dataset.gone = "yes";
        tell("Blindspoon does not answer. Start it again; what you typed stays here and can be saved then.");
      }
    }
    const soon = () => { clearTimeout(waiting); waiting = setTimeout(check, 250); };
    form.addEventListener("change", (event) => { seen.add(event.target.name); soon(); });
    form.addEventListener("input", soon);
  }

  let unsaved = Boolean(document.querySelector("#mend, [data-unsaved]"));
  addEventListener("input", () => { unsaved = true; });
  addEventListener("submit", () => { unsaved = false; });
  addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });

  // A page that is loaded again when its job ends keeps the focus, or has it in its main part.
  const held = sessionStorage.getItem("held"), again = (it) => { it.focus({ preventScroll: true }); return it === document.activeElement; };
  sessionStorage.removeItem("held");
  if (held) [...document.querySelectorAll("a, button, summary"), byId("main")].find((it) => (it.textContent === held || it.id === "main") && again(it));
  async function renew() {
    const parts = document.querySelectorAll("[data-renew]");
    if (!parts.length) return;
    try {
      const page = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
      for (const part of parts) {
        const fresh = page.getElementById(part.id);
        if (!fresh || (part.dataset.renew === "page" && !fresh.dataset.renew)) {
          if (document.activeElement !== document.body) sessionStorage.setItem("held", document.activeElement.textContent);
          return location.reload();
        }
        if (fresh.innerHTML !== part.innerHTML && !part.contains(document.activeElement)) part.replaceWith(fresh);
      }
    } catch { tell("Blindspoon does not answer. Is it still running?"); }
    setTimeout(renew, 1000);
  }
  setTimeout(renew, 300);
})();
