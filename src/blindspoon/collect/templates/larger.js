// Type in three sizes, remembered by the browser.
"use strict";
(function () {
  const root = document.documentElement;
  let size = 0;
  try { size = Number(localStorage.getItem("type size")) || 0; } catch { /* no storage */ }
  const show = () => { root.className = ["", "larger", "largest"][size % 3]; };
  show();
  addEventListener("click", (event) => {
    if (!event.target.closest("#larger")) return;
    size = (size + 1) % 3;
    show();
    try { localStorage.setItem("type size", size); } catch { /* until the page is left */ }
  });
  addEventListener("DOMContentLoaded", () => {
    const button = document.getElementById("larger");
    if (button) button.hidden = false;
  });
})();
